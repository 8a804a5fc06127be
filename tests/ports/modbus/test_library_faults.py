"""What the client library (pymodbus 3.16.1) lets through, and we do not. One test a fault."""

import asyncio
import errno
import logging
import math
import termios
import time
from pathlib import Path

import pytest
import serial

from dustcake.adapters.modbus.connection import Connection, frame_gap_s
from dustcake.adapters.modbus.messages import WriteCoils, to_pdu
from dustcake.core.inputs import FailureKind, ReadFailure
from ports.modbus.clocks import LeapClock, RealClock
from ports.modbus.conftest import OpenBus
from ports.modbus.rogue import Cut, RogueRtu, RogueTcp, Tamper
from ports.modbus.support import coils, failed, words

AnyRogue = RogueTcp | RogueRtu


def open_files() -> set[str]:
    return {each.name for each in Path("/proc/self/fd").iterdir()}


def pdu_instead(rogue: AnyRogue, pdu: str) -> Tamper:
    def tampered(request: bytes, reply: bytes) -> bytes:
        return rogue.frame(request, 1, bytes.fromhex(pdu))

    return tampered


async def test_1_another_function_is_refused(rogue: AnyRogue, bus_to: OpenBus) -> None:
    bus = bus_to(rogue)
    rogue.tamper = pdu_instead(rogue, "04 02 00 2A")
    detail = failed(await bus.read(words()), FailureKind.BAD_REPLY)
    assert detail == (
        "bus hall, unit 1, holding register 0: function 3 was answered with function 4"
    )


@pytest.mark.parametrize("pdu", ["03 00", "03 02 00 2A", "03 06 00 2A 00 2B 00 2C"])
async def test_1_too_few_or_too_many_registers_are_refused(
    rogue: AnyRogue, bus_to: OpenBus, pdu: str
) -> None:
    bus = bus_to(rogue)
    rogue.tamper = pdu_instead(rogue, pdu)
    failed(await bus.read(words(count=2)), FailureKind.BAD_REPLY)


async def test_1_after_a_bad_reply_the_next_one_is_right(rogue: AnyRogue, bus_to: OpenBus) -> None:
    bus = bus_to(rogue)
    rogue.device.holding[5] = 55
    rogue.tamper = pdu_instead(rogue, "04 02 00 2A")
    failed(await bus.read(words(5)), FailureKind.BAD_REPLY)
    rogue.tamper = lambda request, reply: reply
    assert await bus.read(words(5)) == (55,)


async def test_2_a_late_serial_reply_is_not_taken_for_the_next_ones(
    rtu: RogueRtu, bus_to: OpenBus, leap: LeapClock
) -> None:
    bus = bus_to(rtu)
    rtu.device.holding.update({42: 42, 99: 99})
    late: list[bytes] = []

    def keep(request: bytes, reply: bytes) -> None:
        late.append(reply)

    def deliver() -> None:
        if late:
            rtu.send(late.pop())

    rtu.tamper = keep
    failed(await bus.read(words(42)), FailureKind.TIMEOUT)
    rtu.tamper = lambda request, reply: reply
    leap.on_sleep = deliver
    assert await bus.read(words(99)) == (99,)
    assert not late


async def test_2_a_serial_line_is_quarantined_after_a_time_out(
    rtu: RogueRtu, bus_to: OpenBus, leap: LeapClock
) -> None:
    bus = bus_to(rtu, timeout_s=0.06)
    rtu.tamper = lambda request, reply: None
    failed(await bus.read(words()), FailureKind.TIMEOUT)
    leap.sleeps.clear()
    await bus.read(words())
    assert max(leap.sleeps) == pytest.approx(0.06)


async def test_2_a_coil_write_does_not_succeed_on_a_late_register_reply(
    rtu: RogueRtu, bus_to: OpenBus
) -> None:
    bus = bus_to(rtu)
    rtu.tamper = pdu_instead(rtu, "03 02 00 2A")
    async with bus.reserved() as channel:
        detail = failed(await channel.exchange(WriteCoils(1, 3, (True,))), FailureKind.BAD_REPLY)
    assert "function 5 was answered with function 3" in detail


async def test_2_transaction_id_0_is_refused(tcp: RogueTcp, bus_to: OpenBus) -> None:
    bus = bus_to(tcp)
    tcp.tamper = lambda request, reply: b"\0\0" + reply[2:]
    assert "transaction id" in failed(await bus.read(words()), FailureKind.BAD_REPLY)


async def test_3_a_dropped_socket_is_noticed_at_once(tcp: RogueTcp, bus_to: OpenBus) -> None:
    bus = bus_to(tcp, timeout_s=10.0)
    assert await bus.read(words()) == (0,)
    tcp.tamper = lambda request, reply: Cut()
    started_s = asyncio.get_running_loop().time()
    failed(await bus.read(words()), FailureKind.LOST)
    assert asyncio.get_running_loop().time() - started_s < 2.0  # the time-out is 10 s


async def test_3_an_unplugged_serial_adapter_is_noticed_at_once(
    rtu: RogueRtu, bus_to: OpenBus
) -> None:
    bus = bus_to(rtu, timeout_s=10.0)
    assert await bus.read(words()) == (0,)

    def unplug(request: bytes, reply: bytes) -> None:
        rtu.unplug()

    rtu.tamper = unplug
    started_s = asyncio.get_running_loop().time()
    failed(await bus.read(words()), FailureKind.LOST)
    assert asyncio.get_running_loop().time() - started_s < 2.0


async def test_3_a_silent_unit_does_not_starve_the_others(rogue: AnyRogue, bus_to: OpenBus) -> None:
    """Every request for the silent unit costs the healthy one at most one time-out."""
    bus = bus_to(rogue, clock=RealClock(), timeout_s=0.05, retries=2)
    rogue.device.holding[0] = 7

    async def hammer_the_silent_one() -> None:
        while True:
            await bus.read(words(unit=9))

    async with asyncio.TaskGroup() as group:
        hammers = [group.create_task(hammer_the_silent_one()) for _ in range(3)]
        loop = asyncio.get_running_loop()
        waits_s = []
        for _ in range(3):
            before_s = loop.time()
            assert await bus.read(words()) == (7,)
            waits_s.append(loop.time() - before_s)
        for hammer in hammers:
            hammer.cancel()
    turns = len(hammers) + 1
    assert max(waits_s) < turns * (0.05 + 0.05) + 0.2


async def test_4_a_failed_first_connect_is_tried_again_and_backs_off(
    tcp: RogueTcp, bus_to: OpenBus, leap: LeapClock
) -> None:
    port = tcp.port
    await tcp.stop()
    bus = bus_to(tcp)
    delays_s = []
    for _ in range(8):
        detail = failed(await bus.read(words()), FailureKind.UNREACHABLE)
        assert "connection refused" in detail
        delay_s = float(detail.split("next try in ")[1].removesuffix(" s"))
        delays_s.append(delay_s)
        leap.mono_s += 0.9 * delay_s
        assert "next try in" in failed(await bus.read(words()), FailureKind.UNREACHABLE)
        leap.mono_s += 0.11 * delay_s
    assert delays_s == [0.25, 0.5, 1.0, 2.0, 4.0, 8.0, 10.0, 10.0]
    await tcp.start(port)
    assert await bus.read(words()) == (0,)
    await tcp.stop()
    leap.mono_s += 60.0
    await bus.read(words())
    assert "next try in 0.25 s" in failed(await bus.read(words()), FailureKind.UNREACHABLE)


async def test_4_reconnecting_leaks_no_sockets(tcp: RogueTcp, bus_to: OpenBus) -> None:
    bus = bus_to(tcp, retries=1)
    await bus.read(words())
    files_before = len(open_files())
    for _ in range(100):
        assert await bus.read(words()) == (0,)
        await tcp.cut()
    assert await bus.read(words()) == (0,)
    assert tcp.accepted == 101
    assert tcp.most_open == 1
    assert len(open_files()) <= files_before + 2


async def test_4_a_server_that_accepts_and_hangs_up_is_backed_off_from(
    tcp: RogueTcp, bus_to: OpenBus
) -> None:
    bus = bus_to(tcp)
    tcp.hang_up = True
    answers = [await bus.read(words()) for _ in range(20)]
    assert "broken off" in failed(answers[-1], FailureKind.UNREACHABLE)
    assert tcp.accepted <= 2


async def test_5_time_outs_are_not_logged_by_the_library(
    rogue: AnyRogue, bus_to: OpenBus, caplog: pytest.LogCaptureFixture
) -> None:
    bus = bus_to(rogue)
    rogue.tamper = lambda request, reply: None
    with caplog.at_level(logging.DEBUG):
        failed(await bus.read(words()), FailureKind.TIMEOUT)
    assert [record for record in caplog.records if "pymodbus" in record.name] == []


@pytest.mark.parametrize("pdu", ["2B 0E 01", "03", "7F 00", "03 04 00 01", "81", "05 00"])
async def test_5_an_undecodable_reply_stays_a_value(
    rogue: AnyRogue, bus_to: OpenBus, pdu: str
) -> None:
    """The fixture around each test fails it if the loop's exception handler was reached."""
    bus = bus_to(rogue)
    rogue.device.holding[0] = 7
    rogue.tamper = pdu_instead(rogue, pdu)
    failed(await bus.read(words()), FailureKind.BAD_REPLY)
    rogue.tamper = lambda request, reply: reply
    assert await bus.read(words()) == (7,)


async def test_5_bytes_before_the_first_request_are_passed_over(
    rtu: RogueRtu, bus_to: OpenBus, leap: LeapClock
) -> None:
    noise = [b"\x01\x83\x02"]
    leap.on_sleep = lambda: rtu.send(noise.pop()) if noise else None
    assert await bus_to(rtu).read(words()) == (0,)
    assert not noise


async def test_5_a_bad_reply_in_the_moment_of_the_time_out_stays_a_value(
    tcp: RogueTcp, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It comes after the time-out has struck and before whoever waits has been told."""
    loop = asyncio.get_running_loop()
    link = Connection(tcp.bus(), loop.time)
    assert await link.open() is None
    tcp.tamper = lambda request, reply: None
    waits: list[asyncio.Timeout] = []
    timeout = asyncio.timeout

    def noted(delay_s: float | None) -> asyncio.Timeout:
        waits.append(timeout(delay_s))
        return waits[-1]

    monkeypatch.setattr(asyncio, "timeout", noted)
    asking = asyncio.create_task(link.exchange(to_pdu(words())))
    await tcp.heard.get()
    strikes_s = waits[-1].when()
    assert strikes_s is not None
    came = asyncio.Event()

    def bad_reply() -> None:
        came.set()
        link.data_received(b"\xff" * 9)

    loop.call_at(math.nextafter(strikes_s, math.inf), bad_reply)
    fault = await asking
    assert came.is_set()
    assert isinstance(fault, ReadFailure)
    assert fault.kind is FailureKind.TIMEOUT
    link.close()
    await tcp.all_gone.wait()


async def test_5_a_reply_in_the_moment_of_the_time_out_is_a_reply(
    tcp: RogueTcp, bus_to: OpenBus
) -> None:
    """The loop stalls until after the time-out, and finds the reply there with it."""

    def stall(request: bytes, reply: bytes) -> bytes:
        time.sleep(0.06)  # the time-out is 0.05 s
        return reply

    tcp.tamper = stall
    bus = bus_to(tcp)
    for _ in range(5):
        assert await bus.read(words()) == (0,)


async def test_5_the_gap_between_serial_frames_is_kept(rtu: RogueRtu, bus_to: OpenBus) -> None:
    bus = bus_to(rtu, clock=RealClock(), baud=1200)
    for _ in range(5):
        assert await bus.read(words()) == (0,)
    gaps_s = [
        arrived_s - left_s
        for left_s, arrived_s in zip(rtu.departures_s, rtu.arrivals_s[1:], strict=False)
    ]
    assert len(gaps_s) == 4
    assert min(gaps_s) >= frame_gap_s(1200)


async def test_6_a_port_that_refuses_parity_is_unreachable_with_the_reason(
    rtu: RogueRtu, bus_to: OpenBus, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*args: object, **kwargs: object) -> None:
        raise termios.error(errno.EINVAL, "Invalid argument")

    monkeypatch.setattr(serial, "serial_for_url", refuse)
    detail = failed(await bus_to(rtu).read(words()), FailureKind.UNREACHABLE)
    assert "check `baud` and `parity`" in detail


async def test_6_a_pty_asked_for_even_parity_is_no_crash(rtu: RogueRtu, bus_to: OpenBus) -> None:
    even = rtu.bus().model_copy(update={"parity": "even"})
    answer = await bus_to(even).read(words())
    if answer != (0,):  # depends on the kernel
        failed(answer, FailureKind.UNREACHABLE)


async def test_6_a_missing_serial_port_is_unreachable_with_the_reason(
    rtu: RogueRtu, bus_to: OpenBus
) -> None:
    missing = rtu.bus().model_copy(update={"port": "/dev/no-such-port"})
    assert "no such serial port" in failed(
        await bus_to(missing).read(words()), FailureKind.UNREACHABLE
    )


async def test_7_frames_carry_the_checksum_low_byte_first(rtu: RogueRtu, bus_to: OpenBus) -> None:
    await bus_to(rtu).read(words(0x6B, 3))
    assert rtu.frames == [bytes.fromhex("01 03 00 6B 00 03 74 17")]


async def test_7_a_reply_with_its_checksum_swapped_is_refused(
    rtu: RogueRtu, bus_to: OpenBus
) -> None:
    rtu.tamper = lambda request, reply: reply[:-2] + reply[:-3:-1]
    assert "checksum" in failed(await bus_to(rtu).read(words()), FailureKind.BAD_REPLY)


async def test_8_a_long_run_leaves_nothing_behind(rogue: AnyRogue, bus_to: OpenBus) -> None:
    bus = bus_to(rogue)
    await bus.read(coils())
    files_before = open_files()
    for _ in range(500):
        assert await bus.read(coils()) == (0,)
    assert open_files() <= files_before
