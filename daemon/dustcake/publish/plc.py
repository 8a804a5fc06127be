"""The face towards a PLC: a collector as Modbus registers, to be read only.

What stands in which register is data: the image and its documentation are made from it. A map that
PLC programs rely on does not change: registers and bits are only added, at places that read 0 until
then, and ``MAP_VERSION`` says so.

Requests are answered after Modbus Application Protocol V1.1b3 (26 April 2012) and Modbus Messaging
on TCP/IP (24 October 2006), from memory of both. Nothing can be written.
"""

from collections.abc import Callable, Container, Iterable, Sequence
from math import nan
from struct import calcsize, pack, pack_into, unpack, unpack_from

from dustcake.core.alarms.names import ACTIVE, AlarmName, AlarmState
from dustcake.core.cleaning.state import PERMISSIVES, Met
from dustcake.core.inputs import CONTACT_NAMES
from dustcake.core.reading import Quality, Sample
from dustcake.core.record import record, replace
from dustcake.core.requests.kinds import Mode
from dustcake.core.setpoints import Setpoints
from dustcake.core.state import Phase, State
from dustcake.publish.payloads import shown_set_points
from dustcake.publish.render import UNACKNOWLEDGED

MAP_VERSION = 2
MOST_VALVES = 128
FIRST_VALVE = 40
SIZE = FIRST_VALVE + 2 * MOST_VALVES

# Numbers and bits are places in these, and among the alarms: they grow at their ends alone.
QUALITIES, MODES, PHASES = tuple(Quality), tuple(Mode), tuple(Phase)
UNKNOWN_AGE_S = 65_535


_PACKING = {"uint16": ">H", "uint32": ">I", "float32": ">f", "32 bits": ">I"}
"""How each type of value is laid over registers, the high word first."""
U16, U32, F32, B32 = _PACKING


@record
class RegisterSource:
    """What the registers are made from: a state, and ``steps``, which counts on while the daemon
    works; ``mono_s`` is now."""

    state: State
    setpoints: Setpoints
    steps: int
    mono_s: float

    @property
    def set_points(self) -> dict[str, float]:
        """The set points in force that are shown beside dP."""
        return shown_set_points(self.setpoints, self.state)


@record
class Row:
    """One value. ``address`` counts from 0, as in the protocol."""

    address: int
    value_type: str
    name: str
    meaning: str
    value: Callable[[RegisterSource], float]

    @property
    def words(self) -> int:
        """How many registers it takes."""
        return calcsize(_PACKING[self.value_type]) // 2


def _age_s(source: RegisterSource) -> float:
    sample = source.state.sample
    if sample.quality is Quality.FAILURE:
        return UNKNOWN_AGE_S
    return min(UNKNOWN_AGE_S - 1, max(0, int(source.mono_s - sample.at.mono_s)))


def _usable(sample: Sample | None) -> float:
    return nan if sample is None or sample.usable_pa is None else sample.usable_pa


def _bits(are_set: Iterable[bool]) -> int:
    return sum(1 << bit for bit, is_set in enumerate(are_set) if is_set)


def _contacts(source: RegisterSource) -> list[bool | None]:
    state = source.state
    known = replace(state.contacts, blower_running=state.blower.running)
    return [getattr(known, name) for name in CONTACT_NAMES]


def _missing(source: RegisterSource) -> int:
    return _bits(each.met is Met.NO for each in source.state.decision.permissives)


def _alarm_bits(source: RegisterSource, wanted: Container[AlarmState]) -> int:
    states = {each.name: each.state for each in source.state.alarms}
    return _bits(states.get(name) in wanted for name in AlarmName)


def _listed(names: Iterable[str]) -> str:
    return ", ".join(f"{number} {name}" for number, name in enumerate(names))


ROWS = (
    Row(0, U16, "map version", f"{MAP_VERSION}", lambda _: MAP_VERSION),
    Row(
        1, U16, "life", "counts on at each step, around 65535; standing still: the daemon does not "
        "work, and nothing here is present", lambda s: s.steps % 65_536,
    ),
    Row(2, U16, "age of the reading", f"s; {UNKNOWN_AGE_S}: there is none", _age_s),
    Row(
        3, U16, "quality of dP", f"NAMUR NE 107: {_listed(QUALITIES)}",
        lambda s: QUALITIES.index(s.state.sample.quality),
    ),
    Row(4, F32, "dP", "Pa; NaN where it cannot be used", lambda s: _usable(s.state.sample)),
    Row(
        6, F32, "header pressure", "Pa, gauge; NaN where not fitted or not usable",
        lambda s: _usable(s.state.header),
    ),
    Row(8, U16, "mode", _listed(MODES), lambda s: MODES.index(s.state.decision.mode)),
    Row(9, U16, "phase", _listed(PHASES), lambda s: PHASES.index(s.state.decision.phase)),
    Row(
        10, U16, "contacts", f"bits: {_listed(CONTACT_NAMES)}",
        lambda s: _bits(map(bool, _contacts(s))),
    ),
    Row(
        11, U16, "contacts known", "the same bits: fitted, or proved, and readable",
        lambda s: _bits(is_on is not None for is_on in _contacts(s)),
    ),
    Row(12, U16, "permissives missing", f"bits: {_listed(PERMISSIVES)}", _missing),
    Row(13, U16, "alarms active", "how many", lambda s: _alarm_bits(s, ACTIVE).bit_count()),
    Row(
        14, U16, "alarms not acknowledged", "how many",
        lambda s: _alarm_bits(s, UNACKNOWLEDGED).bit_count(),
    ),
    Row(
        16, B32, "active", f"bits: {_listed(AlarmName)}; the low word is the second register",
        lambda s: _alarm_bits(s, ACTIVE),
    ),
    Row(18, B32, "not acknowledged", "the same bits", lambda s: _alarm_bits(s, UNACKNOWLEDGED)),
    Row(24, F32, "low set point", "Pa", lambda s: s.set_points["low"]),
    Row(26, F32, "high set point", "Pa", lambda s: s.set_points["high"]),
    Row(28, F32, "filter replacement set point", "Pa", lambda s: s.set_points["replacement"]),
    Row(30, U32, "events", "number of the last one", lambda s: s.state.next_seq - 1),
    Row(32, U32, "pulses", "of all valves", lambda s: sum(s.state.pulsing.counts)),
    Row(34, U16, "last valve", "0: none yet", lambda s: s.state.pulsing.last_valve or 0),
    Row(35, U16, "valves", "how many", lambda s: len(s.state.pulsing.counts)),
)  # fmt: skip


def image(source: RegisterSource) -> list[int]:
    """All registers; those between the rows read 0."""
    data = bytearray(2 * SIZE)
    for row in ROWS:
        value = row.value(source)
        laid = value if row.value_type == F32 else int(value) & 0xFFFF_FFFF
        pack_into(_PACKING[row.value_type], data, 2 * row.address, laid)
    for valve, count in enumerate(source.state.pulsing.counts[:MOST_VALVES]):
        pack_into(">I", data, 2 * (FIRST_VALVE + 2 * valve), count & 0xFFFF_FFFF)
    return list(unpack(f">{SIZE}H", data))


_DOCUMENTATION = """\
# Modbus registers for a PLC

Written by `dustcake schema plc`; do not edit.

With a table `[plc]` the daemon serves each collector over Modbus TCP, to be read only:
function codes 3 and 4 read the same registers. The unit id is the collector's place in
the settings file, beginning with 1. Addresses count from 0, as in the protocol; a
program that counts from 1 (40001 or 400001) adds one. Values of two registers have the
high word first. At most 125 registers are read at once, which the protocol sets; values
read with one request belong together.

A PLC must watch `life`: over Modbus nothing else tells that the daemon is gone.

| address | type | value | meaning |
| --- | --- | --- | --- |
"""


def documentation() -> str:
    """The map as Markdown."""
    places = [f"{row.address}" + f"-{row.address + 1}" * (row.words - 1) for row in ROWS]
    rows = [
        f"| {place} | {row.value_type} | {row.name} | {row.meaning} |"
        for place, row in zip(places, ROWS, strict=True)
    ]
    valves = (
        f"| {FIRST_VALVE}-{SIZE - 1} | uint32 | pulses of valve 1, 2, ... {MOST_VALVES} | two "
        "registers each; 0 where there is no such valve |"
    )
    return _DOCUMENTATION + "\n".join([*rows, valves, ""])


READERS = (3, 4)  # holding and input registers
MOST_REGISTERS = 125
ILLEGAL_FUNCTION, ILLEGAL_ADDRESS, ILLEGAL_VALUE = 1, 2, 3
GATEWAY_NO_TARGET = 11
HEADER_BYTES = 7
LONGEST_PDU = 253


def length_of(header: bytes) -> int | None:
    """How many bytes follow the ``HEADER_BYTES`` of a request; None: this is no Modbus."""
    _, protocol, length, _ = unpack_from(">HHHB", header)
    if protocol != 0 or not 2 <= length <= LONGEST_PDU + 1:
        return None
    return int(length) - 1


RegistersOf = Callable[[int], Sequence[int] | None]
"""The registers of a unit id; None where there is no such unit."""


def answer(header: bytes, pdu: bytes, registers_of: RegistersOf) -> bytes:
    """The whole reply."""
    transaction, _, _, unit = unpack_from(">HHHB", header)
    reply = _reply(pdu, registers_of(unit))
    return pack(">HHHB", transaction, 0, len(reply) + 1, unit) + reply


def _reply(pdu: bytes, registers: Sequence[int] | None) -> bytes:
    function = pdu[0]
    if registers is None:
        return _exception(function, GATEWAY_NO_TARGET)
    if function not in READERS:
        return _exception(function, ILLEGAL_FUNCTION)
    if len(pdu) != 5:
        return _exception(function, ILLEGAL_VALUE)
    first, count = unpack_from(">HH", pdu, 1)
    if not 1 <= count <= MOST_REGISTERS:
        return _exception(function, ILLEGAL_VALUE)
    if first + count > len(registers):
        return _exception(function, ILLEGAL_ADDRESS)
    words = registers[first : first + count]
    return pack(f">BB{count}H", function, 2 * count, *words)


def _exception(function: int, code: int) -> bytes:
    return bytes((function | 0x80, code))
