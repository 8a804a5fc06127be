"""Whatever comes over the line: no exception, no wait beyond the time-out, nothing believed that
is no right reply, no valve taken for off that is not."""

import tracemalloc
from collections import Counter

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dustcake.adapters.modbus import Bus, CoilOutputs, FieldInputs
from dustcake.adapters.modbus.messages import Read, Values, WriteCoils, WriteRegister
from dustcake.core.commands import AllValvesOff, Command, FireValve, SetDemand
from dustcake.core.inputs import Outcome, ReadFailure, Registers, Signal
from dustcake.core.reading import Quality, interpret
from dustcake.core.setpoints import OutputKind, Scale, SignalKind
from dustcake.settings.buses import BitTable, WordTable
from examples import explore
from fuzz.wire import MISHAPS, TIMEOUT_S, Exchange, Mishap, Piece, Wire, connecting_to, run
from ports.modbus.support import analog, contacts, outputs
from runtime.simulated_time import SimulatedClock

REQUESTS: st.SearchStrategy[Read | WriteCoils | WriteRegister] = st.one_of(
    st.builds(Read, st.integers(1, 3), st.sampled_from(WordTable), st.just(5), st.integers(1, 125)),
    st.builds(Read, st.integers(1, 3), st.sampled_from(BitTable), st.just(5), st.integers(1, 40)),
    st.builds(Read, st.just(1), st.just(WordTable.INPUT), st.just(0), st.just(1)),
    st.builds(WriteCoils, st.just(1), st.just(5), st.lists(st.booleans(), min_size=1).map(tuple)),
    st.builds(WriteRegister, st.just(1), st.just(5), st.integers(0, 65535)),
)
ROUNDS = st.lists(st.tuples(REQUESTS, MISHAPS), min_size=1, max_size=6)

reached: Counter[str] = Counter()


def changing(wire: Wire) -> None:
    """No two readings are the same, so that one taken for another is found out."""
    device, count = wire.device, [0]

    def before(pdu: bytes) -> None:
        count[0] += 1
        for at in range(140):
            device.inputs[at] = device.holding[at] = (count[0] * 257 + at) & 0xFFFF
            if pdu[0] == 2:
                device.discrete[at] = bool((count[0] >> at % 8) & 1)

    wire.before = before


def decoded(request: Read, pdu: bytes) -> Values:
    if isinstance(request.table, WordTable):
        return tuple(
            int.from_bytes(pdu[2 + 2 * n : 4 + 2 * n], "big") for n in range(request.count)
        )
    return tuple(pdu[2 + n // 8] >> n % 8 & 1 for n in range(request.count))


async def asked(bus: Bus, wire: Wire, request: Read | WriteCoils | WriteRegister) -> None:
    clock = bus.clock
    began_s, before = clock.now().mono_s, len(wire.exchanges)
    async with bus.reserved() as channel:
        answer = await channel.exchange(request)
    # Quarantine, gaps and the time-out itself: each at most twice the time-out.
    assert clock.now().mono_s - began_s < 5 * TIMEOUT_S
    if isinstance(answer, ReadFailure):
        reached["failed"] += 1
        assert answer.detail.startswith("bus hall, unit ")
        return
    reached["answered"] += 1
    assert len(wire.exchanges) == before + 1
    replies = [pdu for pdu in wire.exchanges[-1].valid() if pdu[0] < 0x80]
    if isinstance(request, Read):
        assert answer in [decoded(request, pdu) for pdu in replies]
    else:
        assert answer == ()
        assert replies


@given(serial=st.booleans(), lies=st.booleans(), rounds=ROUNDS)
def _answers(
    serial: bool, lies: bool, rounds: list[tuple[Read | WriteCoils | WriteRegister, Mishap]]
) -> None:
    wire = Wire(serial, [mishap for _, mishap in rounds], lies=lies)
    changing(wire)

    async def story() -> None:
        bus = Bus(wire.settings, SimulatedClock())
        for request, _ in rounds:
            await asked(bus, wire, request)
        await bus.aclose()

    with connecting_to(wire):
        run(story())


def test_an_answer_is_a_right_reply() -> None:
    explore(_answers, 250, reached, ["answered", "failed"])


SCALE = Scale(SignalKind.SCALED_INTEGER, 0.0, 1.0, -32768.0, 32767.0)


def good(signal: Signal | None) -> tuple[int, ...] | None:
    """The registers of a reading whose quality is good."""
    assert signal is not None
    _, quality, _ = interpret(signal, SCALE, 0.0)
    reached["good" if quality is Quality.GOOD else "not good"] += 1
    if quality is not Quality.GOOD:
        return None
    assert isinstance(signal, Registers)
    return signal.words


def read_truly(exchanges: list[Exchange], function: int, address: int) -> tuple[int, ...]:
    """What the device last said of a register, if nothing has happened to its reply."""
    asked = bytes([function]) + address.to_bytes(2, "big")
    last = [one for one in exchanges if one.pdu[:3] == asked][-1]
    assert last.reply in list(last.valid())
    return decoded(Read(1, WordTable.INPUT, address, 1), last.reply)


@given(serial=st.booleans(), mishaps=st.lists(MISHAPS, max_size=12))
def _readings(serial: bool, mishaps: list[Mishap]) -> None:
    """Also with late replies to earlier requests, as long as they come within the quarantine."""
    wire = Wire(serial, mishaps)
    changing(wire)

    async def story() -> None:
        clock = SimulatedClock()
        bus = Bus(wire.settings, clock)
        header = analog(7)
        inputs = FieldInputs({"hall": bus}, analog(3), header, contacts(smoke=2, stop=40))
        while wire.mishaps_left:
            before = len(wire.exchanges)
            reading = await inputs.read()
            asked = wire.exchanges[before:]
            for signal, address in ((reading.dp, 3), (reading.header, 7)):
                words = good(signal)
                if words is not None:
                    assert words == read_truly(asked, 4, address)
            for address, contact in ((2, reading.contacts.smoke), (40, reading.contacts.stop)):
                if contact is not None:
                    of_it = [one for one in asked if one.pdu[:3] == bytes([2, 0, address])]
                    assert of_it[-1].reply in list(of_it[-1].valid())
                    assert contact is bool(of_it[-1].reply[2] & 1)
            await clock.sleep_until(clock.now().mono_s + 1.0)
        await bus.aclose()

    with connecting_to(wire):
        run(story())


def test_a_good_reading_is_what_the_device_said() -> None:
    explore(_readings, 150, reached, ["good", "not good"])


COMMANDS: st.SearchStrategy[Command] = st.one_of(
    st.builds(FireValve, st.just(1), st.integers(1, 4), st.just(0.15)),
    st.builds(AllValvesOff, st.just(1)),
)
DEMANDS: st.SearchStrategy[Command] = st.one_of(
    st.builds(SetDemand, st.just(1), st.booleans()), st.builds(AllValvesOff, st.just(1))
)


@st.composite
def worked(draw: st.DrawFn) -> tuple[OutputKind, list[Command]]:
    kind = draw(st.sampled_from(OutputKind))
    commands = DEMANDS if kind is OutputKind.DEMAND_CONTACT else COMMANDS
    return kind, draw(st.lists(commands, min_size=1, max_size=4))


@given(
    serial=st.booleans(),
    what=worked(),
    mishaps=st.lists(MISHAPS, max_size=14),
    stuck=st.sets(st.integers(0, 3), max_size=1),
    on_before=st.sets(st.integers(0, 3), max_size=2),
)
def _commands(
    serial: bool,
    what: tuple[OutputKind, list[Command]],
    mishaps: list[Mishap],
    stuck: set[int],
    on_before: set[int],
) -> None:
    kind, commands = what
    coils = [0] if kind is OutputKind.DEMAND_CONTACT else [0, 1, 2, 3]
    wire = Wire(serial, mishaps)
    device = wire.device
    device.stuck_on |= stuck & set(coils)
    for coil in on_before & set(coils):
        device.coils[coil] = True
    if kind is OutputKind.VALVES_ONE_SHOT:
        device.one_shot |= set(coils)

    async def story() -> None:
        clock = SimulatedClock()
        bus = Bus(wire.settings, clock)
        outlets = CoilOutputs({"hall": bus}, outputs(kind.value, coils), None)
        for command in commands:
            before = {coil for coil in coils if device.coils[coil]}
            device.coil_writes.clear()
            began_s = clock.now().mono_s
            report = await outlets.execute(command)
            assert clock.now().mono_s - began_s < 8.0
            lit = {coil for coil in coils if device.coils[coil]}
            fired = {coil for coil, on in device.coil_writes if on}
            if isinstance(command, AllValvesOff):
                reached["off" if report.outcome is Outcome.DONE else "not off"] += 1
                assert report.outcome is not Outcome.DONE or not lit
            elif isinstance(command, FireValve):
                reached["fired" if report.outcome is Outcome.DONE else "not fired"] += 1
                assert fired <= {command.valve - 1}
                assert not (fired and before - device.one_shot)
                assert report.outcome is not Outcome.DONE or (fired and not lit)
            elif isinstance(command, SetDemand) and report.outcome is Outcome.DONE:
                assert lit == ({0} if command.closed else set())
            if report.outcome is not Outcome.DONE:
                assert report.detail
            for coil in device.one_shot - device.stuck_on:
                device.coils[coil] = False  # the module ends what it has begun
        await bus.aclose()

    with connecting_to(wire):
        run(story())


def test_off_is_reported_only_when_it_is() -> None:
    explore(_commands, 250, reached, ["off", "not off", "fired", "not fired"])


@pytest.mark.parametrize("serial", [False, True])
@pytest.mark.parametrize("piece", [b"\x01\x04\x02" * 60, b"\xff", b"\0" * 60_000])
def test_a_flood_takes_no_memory(serial: bool, piece: bytes) -> None:
    """Rubbish without an end, begun while a reply is waited for, and going on when none is."""
    pieces: list[Piece] = [(0.001 + n * 0.0001, piece) for n in range(3000)]
    wire = Wire(serial, [lambda exchange, _: pieces, lambda exchange, _: pieces], lies=True)
    wire.keep_heard = False

    async def story() -> None:
        clock = SimulatedClock()
        bus = Bus(wire.settings, clock)
        tracemalloc.start()
        began_s = clock.now().mono_s
        for _ in range(8):
            await bus.read(Read(1, WordTable.INPUT, 0, 1))
            await clock.sleep_until(clock.now().mono_s + 0.1)
        _, peak = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        assert peak < 3_000_000  # most of it are the pieces that wait to come in
        assert clock.now().mono_s - began_s < 8 * (0.1 + 5 * TIMEOUT_S)
        assert await bus.read(Read(1, WordTable.INPUT, 0, 1)) == (0,)
        await bus.aclose()

    with connecting_to(wire):
        run(story())
