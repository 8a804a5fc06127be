"""The shared bus: repeating, taking turns, logging edges, closing, being cancelled."""

import asyncio

import pytest
from structlog.testing import capture_logs

from dustcake.adapters.modbus.coils import Coils
from dustcake.adapters.modbus.messages import Request, WriteCoils, WriteRegister
from dustcake.core.inputs import FailureKind, Outcome
from ports.modbus.clocks import LeapClock
from ports.modbus.conftest import OpenBus
from ports.modbus.rogue import Cut, RogueRtu, RogueTcp, Tampered
from ports.modbus.support import failed, words

AnyRogue = RogueTcp | RogueRtu


class FirstReplies:
    """Replaces the first replies, then is honest."""

    def __init__(self, *first: Tampered) -> None:
        self._first = list(first)

    def __call__(self, request: bytes, reply: bytes) -> Tampered:
        return self._first.pop(0) if self._first else reply


async def test_a_read_is_repeated_as_often_as_set(rogue: AnyRogue, bus_to: OpenBus) -> None:
    bus = bus_to(rogue, retries=2)
    rogue.device.holding[0] = 7
    rogue.tamper = FirstReplies(None, None)
    assert await bus.read(words()) == (7,)
    rogue.tamper = FirstReplies(None, None, None)
    failed(await bus.read(words()), FailureKind.TIMEOUT)
    assert len(rogue.frames) == 6


@pytest.mark.parametrize("request_", [WriteCoils(1, 0, (True,)), WriteRegister(1, 0, 5)])
async def test_a_write_is_never_repeated(
    rogue: AnyRogue, bus_to: OpenBus, request_: Request
) -> None:
    bus = bus_to(rogue, retries=5)
    rogue.tamper = FirstReplies(None)
    async with bus.reserved() as channel:
        failed(await channel.exchange(request_), FailureKind.TIMEOUT)
    assert len(rogue.frames) == 1


async def test_an_exception_is_not_repeated_and_keeps_the_connection(
    tcp: RogueTcp, bus_to: OpenBus
) -> None:
    bus = bus_to(tcp, retries=5)
    tcp.device.missing.add((3, 0))
    failed(await bus.read(words()), FailureKind.EXCEPTION)
    assert await bus.read(words(1)) == (0,)
    assert len(tcp.frames) == 2
    assert tcp.accepted == 1


async def test_a_broken_connection_is_replaced_for_the_retry(
    tcp: RogueTcp, bus_to: OpenBus
) -> None:
    bus = bus_to(tcp, retries=1)
    tcp.device.holding[0] = 7
    assert await bus.read(words()) == (7,)
    tcp.tamper = FirstReplies(Cut())
    assert await bus.read(words()) == (7,)
    assert tcp.accepted == 2


async def test_lost_and_recovered_are_logged_once_each(
    rogue: AnyRogue, bus_to: OpenBus, leap: LeapClock
) -> None:
    bus = bus_to(rogue)
    with capture_logs() as logs:
        assert await bus.read(words()) == (0,)
        rogue.tamper = lambda request, reply: None
        for _ in range(3):
            failed(await bus.read(words()), FailureKind.TIMEOUT)
        leap.mono_s += 60
        rogue.tamper = lambda request, reply: reply
        for _ in range(3):
            assert await bus.read(words()) == (0,)
    assert [log["event"] for log in logs] == ["lost", "recovered"]
    lost, recovered = logs
    assert lost["log_level"] == "warning"
    assert (lost["bus"], lost["unit"], lost["kind"]) == ("hall", 1, "timeout")
    assert lost["detail"] == "bus hall, unit 1, holding register 0: no reply within 0.05 s"
    assert (recovered["bus"], recovered["unit"]) == ("hall", 1)
    assert recovered["after_s"] == pytest.approx(60, abs=1)


async def test_one_refused_address_does_not_flap_with_a_good_one(
    tcp: RogueTcp, bus_to: OpenBus
) -> None:
    bus = bus_to(tcp)
    tcp.device.missing.add((3, 5))
    with capture_logs() as logs:
        for _ in range(3):
            await bus.read(words())
            await bus.read(words(5))
    assert [(log["event"], log["place"]) for log in logs] == [
        ("lost", "unit 1, holding register 5")
    ]


async def test_an_unreachable_bus_is_lost_as_a_whole(
    tcp: RogueTcp, bus_to: OpenBus, leap: LeapClock
) -> None:
    port = tcp.port
    await tcp.stop()
    bus = bus_to(tcp)
    with capture_logs() as logs:
        for unit in (1, 2, 3):
            failed(await bus.read(words(unit=unit)), FailureKind.UNREACHABLE)
        await tcp.start(port)
        leap.mono_s += 1
        assert await bus.read(words()) == (0,)
    assert [log["event"] for log in logs] == ["lost", "recovered"]
    assert not any("unit" in log for log in logs)


async def test_opening_does_no_io_and_closing_is_final(tcp: RogueTcp, bus_to: OpenBus) -> None:
    bus = bus_to(tcp)
    assert tcp.accepted == 0
    assert await bus.read(words()) == (0,)
    await bus.aclose()
    await tcp.all_gone.wait()
    assert "closed" in failed(await bus.read(words()), FailureKind.UNREACHABLE)
    assert tcp.accepted == 1


async def test_a_cancelled_request_leaves_no_reply_for_the_next(
    rogue: AnyRogue, bus_to: OpenBus
) -> None:
    bus = bus_to(rogue, timeout_s=5.0)
    rogue.device.holding.update({42: 42, 99: 99})
    held: list[bytes] = []

    def hold_back(request: bytes, reply: bytes) -> None:
        held.append(reply)

    rogue.tamper = hold_back
    first = asyncio.create_task(bus.read(words(42)))
    await rogue.heard.get()
    first.cancel()
    with pytest.raises(asyncio.CancelledError):
        await first
    rogue.tamper = lambda request, reply: reply
    if isinstance(rogue, RogueRtu):
        rogue.send(held[0])
    assert await bus.read(words(99)) == (99,)


async def test_a_line_that_never_falls_silent_is_a_failure(
    rtu: RogueRtu, bus_to: OpenBus, leap: LeapClock
) -> None:
    bus = bus_to(rtu)
    assert await bus.read(words()) == (0,)
    leap.on_sleep = lambda: rtu.send(b"\x55")
    assert "never stops sending" in failed(await bus.read(words()), FailureKind.BAD_REPLY)


async def test_requests_are_served_in_the_order_they_came(rogue: AnyRogue, bus_to: OpenBus) -> None:
    bus = bus_to(rogue, timeout_s=5.0)
    await asyncio.gather(*(bus.read(words(address)) for address in range(8)))
    at = 8 if isinstance(rogue, RogueTcp) else 2
    assert [int.from_bytes(frame[at : at + 2], "big") for frame in rogue.frames] == list(range(8))


async def test_a_reserved_bus_lets_nobody_in_between(rogue: AnyRogue, bus_to: OpenBus) -> None:
    bus = bus_to(rogue, timeout_s=5.0)
    async with bus.reserved() as channel:
        other = asyncio.create_task(bus.read(words(7)))
        await channel.exchange(words(1))
        await channel.exchange(words(2))
    await other
    at = 8 if isinstance(rogue, RogueTcp) else 2
    assert [frame[at + 1] for frame in rogue.frames] == [1, 2, 7]


async def test_an_urgent_request_does_not_wait_for_the_quarantine(
    rtu: RogueRtu, bus_to: OpenBus, leap: LeapClock
) -> None:
    bus = bus_to(rtu)
    rtu.tamper = FirstReplies(None)
    async with bus.reserved() as channel:
        failed(await channel.exchange(WriteCoils(1, 0, (True,))), FailureKind.TIMEOUT)
        leap.sleeps.clear()
        assert await channel.exchange(WriteCoils(1, 0, (False,)), urgent=True) == ()
    assert sum(leap.sleeps) < 0.01


async def test_an_urgent_request_connects_although_the_bus_is_backing_off(
    tcp: RogueTcp, bus_to: OpenBus
) -> None:
    port = tcp.port
    await tcp.stop()
    bus = bus_to(tcp)
    failed(await bus.read(words()), FailureKind.UNREACHABLE)
    await tcp.start(port)
    failed(await bus.read(words()), FailureKind.UNREACHABLE)
    async with bus.reserved() as channel:
        assert await channel.exchange(WriteCoils(1, 0, (False,)), urgent=True) == ()


async def test_switching_off_overtakes_whoever_waits(rogue: AnyRogue, bus_to: OpenBus) -> None:
    """However many collectors share a line, and although the unit they ask is dead."""
    bus = bus_to(rogue)
    valve = Coils(bus, 1, {0: "valve 1"})
    rogue.device.coils[0] = True
    rogue.tamper = FirstReplies(None)
    reads = [asyncio.create_task(bus.read(words(n))) for n in range(6)]
    while not rogue.frames:  # noqa: ASYNC110 -- the device is outside
        await asyncio.sleep(0)
    assert (await valve.switch_off()).outcome is Outcome.DONE
    assert rogue.device.coil_writes == [(0, False)]
    done_before = sum(read.done() for read in reads)
    assert done_before == 1, "only the exchange under way came first"
    failed(await reads[0], FailureKind.TIMEOUT)
    assert [await read for read in reads[1:]] == [(0,)] * 5


async def test_one_that_gives_up_switching_off_bars_nobody(
    rogue: AnyRogue, bus_to: OpenBus
) -> None:
    bus = bus_to(rogue)
    valve = Coils(bus, 1, {0: "valve 1"})
    async with bus.reserved():
        read = asyncio.create_task(bus.read(words()))
        off = asyncio.create_task(valve.switch_off())
        await asyncio.sleep(0)
        off.cancel()
    assert await read == (0,)
    with pytest.raises(asyncio.CancelledError):
        await off
