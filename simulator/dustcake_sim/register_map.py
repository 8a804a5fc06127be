"""The simulated device's register map (addresses from 0, as in the PDU; unit 1 by default).

Input registers 0 to 63, and the same read as holding registers 0 to 63:
    0       dP, signed, 0.1 Pa
    1       dP loop current, uA (4000 to 20000 over the span)
    2 4 6 8 dP, float32, Pa, in word order ABCD, CDAB, BADC, DCBA
    10      header gauge pressure, signed, 100 Pa
    11      header loop current, uA
    12      header gauge pressure, float32 ABCD, Pa
    14      flow, signed, 0.001 m3/s
    15      flow loop current, uA
    16      flow, float32 ABCD, m3/s
    18      blower speed, 0.1 % of rated
    20      scenario time, unsigned 32 bit, high word first, s
    32      times a valve was energised while another was
    33      longest time a valve was energised, ms
    34      output watchdog trips
    40..55  times valve 1..16 was energised
    The rest read 0. Counts stop at 65535.
Holding registers that can be written:
    100     one-shot time, ms (10 to 1000)
    101     output watchdog, s without a request until all outputs drop (0 = off)
    102     sequencer interval, 0.1 s (1 to 6000)
    103     sequencer on-time, ms (10 to 1000)
Discrete inputs:
    0 blower running    1 smoke    2 door open    3 process equipment running
    4 drum full
Coils, with n valves:
    0..n-1      valves, on until switched off
    16..16+n-1  the same valves, each switching itself off after the one-shot time
    32          demand contact of the sequencer board
    33          blower run request
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from dustcake_sim.encoding import WordOrder, current_ua, float_words, scaled_int16
from dustcake_sim.instruments import Transmitter
from dustcake_sim.machine import Machine
from dustcake_sim.outputs import OutputSettings

UNIT: Final = 1
MEASUREMENTS: Final = range(64)
VALVE_COILS: Final = 0
ONE_SHOT_COILS: Final = 16
DEMAND_COIL: Final = 32
BLOWER_COIL: Final = 33
DISCRETE_INPUTS: Final = (
    "blower running",
    "smoke",
    "door open",
    "process equipment running",
    "drum full",
)
_PULSE_COUNTS: Final = 40


@dataclass(frozen=True, slots=True)
class Measurement:
    """One value in the input registers."""

    address: int
    name: str
    form: str
    words: Callable[[Machine], tuple[int, ...]]
    size: int = 1
    """Registers it takes."""


@dataclass(frozen=True, slots=True)
class Setting:
    """One holding register that can be written: `unit_s` seconds for each count."""

    address: int
    name: str
    form: str
    attribute: str
    unit_s: float
    allowed: range

    def read(self, settings: OutputSettings) -> int:
        """The register's value."""
        value: float = getattr(settings, self.attribute)
        return round(value / self.unit_s)

    def write(self, settings: OutputSettings, word: int) -> None:
        """Set it; the caller has checked `allowed`."""
        setattr(settings, self.attribute, word * self.unit_s)


def _count(value: float) -> tuple[int]:
    return (min(round(value), 0xFFFF),)


def _current(transmitter: Transmitter) -> tuple[int]:
    spec = transmitter.spec
    forced_ma = transmitter.forced_current_ma
    return (current_ua(transmitter.value, spec.span_low, spec.span_high, forced_ma),)


def _dp_float(order: WordOrder) -> Callable[[Machine], tuple[int, ...]]:
    return lambda machine: float_words(machine.dp.value, order)


def _pulse_count(valve: int) -> Callable[[Machine], tuple[int, ...]]:
    def words(machine: Machine) -> tuple[int, ...]:
        pulses = machine.outputs.counts.pulses
        return _count(pulses[valve]) if valve < len(pulses) else (0,)

    return words


def _scenario_time(machine: Machine) -> tuple[int, int]:
    seconds = int(machine.scenario_s) & 0xFFFF_FFFF
    return seconds >> 16, seconds & 0xFFFF


MEASURED: Final[tuple[Measurement, ...]] = (
    Measurement(0, "dP", "int16, 0.1 Pa", lambda m: (scaled_int16(m.dp.value, 0.1),)),
    Measurement(1, "dP loop current", "uint16, uA", lambda m: _current(m.dp)),
    *(
        Measurement(2 + 2 * n, "dP", f"float32 {order.value}, Pa", _dp_float(order), 2)
        for n, order in enumerate(WordOrder)
    ),
    Measurement(
        10, "header pressure", "int16, 100 Pa gauge", lambda m: (scaled_int16(m.header.value, 100),)
    ),
    Measurement(11, "header loop current", "uint16, uA", lambda m: _current(m.header)),
    Measurement(
        12,
        "header pressure",
        "float32 ABCD, Pa gauge",
        lambda m: float_words(m.header.value, WordOrder.ABCD),
        2,
    ),
    Measurement(14, "flow", "int16, 0.001 m3/s", lambda m: (scaled_int16(m.flow.value, 0.001),)),
    Measurement(15, "flow loop current", "uint16, uA", lambda m: _current(m.flow)),
    Measurement(
        16, "flow", "float32 ABCD, m3/s", lambda m: float_words(m.flow.value, WordOrder.ABCD), 2
    ),
    Measurement(
        18,
        "blower speed",
        "uint16, 0.1 % of rated",
        lambda m: _count(m.state.blower_speed * 1000),
    ),
    Measurement(20, "scenario time", "uint32, high word first, s", _scenario_time, 2),
    Measurement(
        32,
        "energised while another valve was",
        "uint16, times",
        lambda m: _count(m.outputs.counts.two_valves_at_once),
    ),
    Measurement(
        33,
        "longest time a valve was energised",
        "uint16, ms",
        lambda m: _count(m.outputs.longest_on_s() * 1000.0),
    ),
    Measurement(
        34,
        "output watchdog trips",
        "uint16, times",
        lambda m: _count(m.outputs.counts.watchdog_trips),
    ),
    *(
        Measurement(_PULSE_COUNTS + n, f"valve {n + 1} energised", "uint16, times", _pulse_count(n))
        for n in range(16)
    ),
)

SETTINGS: Final[tuple[Setting, ...]] = (
    Setting(100, "one-shot time", "uint16, ms", "one_shot_s", 0.001, range(10, 1001)),
    Setting(101, "output watchdog (0 = off)", "uint16, s", "watchdog_s", 1.0, range(0x10000)),
    Setting(
        102, "sequencer interval", "uint16, 0.1 s", "sequencer_interval_s", 0.1, range(1, 6001)
    ),
    Setting(103, "sequencer on-time", "uint16, ms", "sequencer_on_s", 0.001, range(10, 1001)),
)


def describe(valves: int) -> Sequence[dict[str, object]]:
    """The map as rows: table, first and last address, name, form, whether it can be written."""
    rows: list[dict[str, object]] = []

    def add(table: str, first: int, last: int, name: str, form: str, writable: bool) -> None:
        rows.append(
            {
                "table": table,
                "first": first,
                "last": last,
                "name": name,
                "form": form,
                "writable": writable,
            }
        )

    for table in ("input registers", "holding registers"):
        for each in MEASURED:
            add(table, each.address, each.address + each.size - 1, each.name, each.form, False)
    for setting in SETTINGS:
        allowed = f"{setting.form} ({setting.allowed.start} to {setting.allowed.stop - 1})"
        add("holding registers", setting.address, setting.address, setting.name, allowed, True)
    for address, name in enumerate(DISCRETE_INPUTS):
        add("discrete inputs", address, address, name, "bit", False)
    for first, name in (
        (VALVE_COILS, "valves, on until switched off"),
        (ONE_SHOT_COILS, "valves, one-shot"),
    ):
        add("coils", first, first + valves - 1, name, "bit", True)
    add("coils", DEMAND_COIL, DEMAND_COIL, "sequencer demand", "bit", True)
    add("coils", BLOWER_COIL, BLOWER_COIL, "blower run request", "bit", True)
    return rows
