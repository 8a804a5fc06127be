"""Valves timed by the daemon, and all off: what is written, in which order, whatever goes wrong."""

import asyncio
from collections.abc import Callable

import pytest

from dustcake.adapters.modbus import CoilOutputs
from dustcake.core.commands import AllValvesOff, FireValve
from dustcake.core.inputs import Outcome
from dustcake.ports import OutputReport
from ports.modbus.clocks import LeapClock
from ports.modbus.conftest import OpenBus
from ports.modbus.output_kinds import (
    FIRE_2,
    AnyRogue,
    functions,
    is_off,
    is_on,
    one_shot,
    pdu,
    silent_when,
    timed,
)
from ports.modbus.rogue import RogueRtu, RogueTcp, Tampered
from ports.modbus.support import words


async def test_a_timed_pulse(rogue: AnyRogue, bus_to: OpenBus, leap: LeapClock) -> None:
    report = await timed(bus_to(rogue)).execute(FIRE_2)
    assert (report.outcome, report.detail) == (Outcome.DONE, "")
    assert rogue.device.coil_writes == [(17, True), (17, False)]
    assert functions(rogue) == [1, 5, 5, 1]
    assert max(leap.sleeps) == pytest.approx(0.15)


async def test_no_pulse_while_another_valve_reads_on(rogue: AnyRogue, bus_to: OpenBus) -> None:
    rogue.device.coils[19] = True
    report = await timed(bus_to(rogue)).execute(FIRE_2)
    assert report.outcome is Outcome.FAILED
    assert report.detail == "valve 2 not fired: valve 4 read on; it has been switched off"
    assert (17, True) not in rogue.device.coil_writes
    assert rogue.device.coils[19] is False


async def test_no_pulse_while_another_valve_is_stuck_on(rogue: AnyRogue, bus_to: OpenBus) -> None:
    rogue.device.coils[19] = True
    rogue.device.stuck_on.add(19)
    report = await timed(bus_to(rogue)).execute(FIRE_2)
    assert report.outcome is Outcome.STUCK_ON
    assert "valve 4" in report.detail
    assert (17, True) not in rogue.device.coil_writes


async def test_a_valve_that_stays_on_is_reported(rogue: AnyRogue, bus_to: OpenBus) -> None:
    rogue.device.stuck_on.add(17)
    report = await timed(bus_to(rogue)).execute(FIRE_2)
    assert report.outcome is Outcome.STUCK_ON
    assert report.detail == "valve 2: fired; reads on after being switched off: valve 2"
    assert rogue.device.coil_writes.count((17, False)) == 5  # bounded


async def test_off_is_written_when_on_was_not_answered(rogue: AnyRogue, bus_to: OpenBus) -> None:
    silent_when(rogue, is_on)
    report = await timed(bus_to(rogue)).execute(FIRE_2)
    assert report.outcome is Outcome.FAILED
    assert "not known to be" in report.detail
    assert "no reply" in report.detail
    assert report.detail.endswith("it reads off")
    assert rogue.device.coils[17] is False
    assert rogue.device.coil_writes[0] == (17, True)


async def test_off_does_not_wait_for_the_quarantine(
    rtu: RogueRtu, bus_to: OpenBus, leap: LeapClock
) -> None:
    at_s: dict[bool, float] = {}

    def note(request: bytes, reply: bytes) -> Tampered:
        if request[1] == 5:
            at_s.setdefault(is_on(pdu(rtu, request)), leap.mono_s)
        return None if is_on(pdu(rtu, request)) else reply

    rtu.tamper = note
    report = await timed(bus_to(rtu)).execute(FIRE_2)
    assert report.outcome is Outcome.FAILED
    assert at_s[False] - at_s[True] < 0.01  # the quarantine lasts 0.05 s


async def test_off_is_tried_again_when_it_was_not_answered(
    rogue: AnyRogue, bus_to: OpenBus
) -> None:
    unanswered = 2

    def first_offs(request: bytes) -> bool:
        nonlocal unanswered
        unanswered -= is_off(request)
        return is_off(request) and unanswered >= 0

    silent_when(rogue, first_offs)
    report = await timed(bus_to(rogue)).execute(FIRE_2)
    assert report.outcome is Outcome.DONE
    assert rogue.device.coil_writes.count((17, False)) == 3


async def test_off_that_is_never_answered_is_a_failure(rogue: AnyRogue, bus_to: OpenBus) -> None:
    silent_when(rogue, is_off)
    report = await timed(bus_to(rogue)).execute(FIRE_2)
    assert report.outcome is Outcome.FAILED
    assert "not switched off" in report.detail
    assert rogue.device.coil_writes.count((17, False)) == 5


async def test_off_is_written_when_the_device_refuses_on(rogue: AnyRogue, bus_to: OpenBus) -> None:
    def refuse(request: bytes, reply: bytes) -> bytes:
        refused = is_on(pdu(rogue, request))
        return rogue.frame(request, 1, bytes([0x85, 4])) if refused else reply

    rogue.tamper = refuse
    report = await timed(bus_to(rogue)).execute(FIRE_2)
    assert report.outcome is Outcome.FAILED
    assert "it has failed (exception 4)" in report.detail
    assert rogue.device.coils[17] is False


async def test_cancelling_in_mid_pulse_switches_off_first(
    rogue: AnyRogue, bus_to: OpenBus, leap: LeapClock
) -> None:
    outs = timed(bus_to(rogue, timeout_s=5.0))
    at_pulse = asyncio.Event()

    def hold_the_pulse() -> None:
        if leap.sleeps[-1] > 0.1:
            leap.hold = asyncio.Event()
            at_pulse.set()

    leap.on_sleep = hold_the_pulse
    firing = asyncio.create_task(outs.execute(FIRE_2))
    await at_pulse.wait()
    assert rogue.device.coil_writes == [(17, True)]
    leap.on_sleep = lambda: setattr(leap, "hold", None)
    firing.cancel()
    await asyncio.sleep(0)
    firing.cancel()  # impatience changes nothing
    with pytest.raises(asyncio.CancelledError):
        await firing
    assert rogue.device.coils[17] is False
    assert rogue.device.coil_writes == [(17, True), (17, False)]
    assert functions(rogue)[-1] == 1


async def test_cancelling_while_on_is_being_written_switches_off_first(
    rogue: AnyRogue, bus_to: OpenBus
) -> None:
    outs = timed(bus_to(rogue, timeout_s=5.0))
    firing = asyncio.create_task(outs.execute(FIRE_2))
    while not is_on(pdu(rogue, await rogue.heard.get())):
        pass
    firing.cancel()
    with pytest.raises(asyncio.CancelledError):
        await firing
    assert rogue.device.coil_writes == [(17, True), (17, False)]


async def test_a_pulse_that_has_not_begun_is_given_up(rogue: AnyRogue, bus_to: OpenBus) -> None:
    outs = timed(bus_to(rogue, timeout_s=5.0))
    first = asyncio.create_task(outs.execute(FIRE_2))
    second = asyncio.create_task(outs.execute(FireValve(2, 3, 0.15)))
    await rogue.heard.get()
    second.cancel()
    assert (await first).outcome is Outcome.DONE
    with pytest.raises(asyncio.CancelledError):
        await second
    assert rogue.device.coil_writes == [(17, True), (17, False)]


async def test_two_valves_are_never_on_at_once(rogue: AnyRogue, bus_to: OpenBus) -> None:
    outs = timed(bus_to(rogue, timeout_s=5.0))
    reports = await asyncio.gather(
        *(outs.execute(FireValve(valve, valve, 0.15)) for valve in (1, 2, 3, 4))
    )
    assert {report.outcome for report in reports} == {Outcome.DONE}
    assert rogue.device.most_on == 1
    assert len(rogue.device.coil_writes) == 8


async def test_nobody_on_the_bus_lengthens_a_timed_pulse(rogue: AnyRogue, bus_to: OpenBus) -> None:
    """Between on and off there is no request of anybody else's, however many are waiting."""
    bus = bus_to(rogue, timeout_s=5.0)
    others = [asyncio.create_task(bus.read(words(n))) for n in range(4)]
    pulse = asyncio.create_task(timed(bus).execute(FIRE_2))
    while not is_on(pdu(rogue, await rogue.heard.get())):
        pass
    others += [asyncio.create_task(bus.read(words(n))) for n in range(4)]
    assert (await pulse).outcome is Outcome.DONE
    await asyncio.gather(*others)
    asked = functions(rogue)
    at = asked.index(5)
    assert asked[at : at + 3] == [5, 5, 1]


async def test_an_on_time_that_is_too_long_is_told(
    rogue: AnyRogue, bus_to: OpenBus, leap: LeapClock
) -> None:
    def slow(request: bytes, reply: bytes) -> bytes:
        leap.mono_s += 0.2 if is_off(pdu(rogue, request)) else 0.0
        return reply

    rogue.tamper = slow
    report = await timed(bus_to(rogue, timeout_s=5.0)).execute(FIRE_2)
    assert report.outcome is Outcome.DONE
    assert report.detail.startswith("valve 2 was on for up to 0.3")
    assert report.detail.endswith("instead of 0.15 s")


async def test_a_valve_that_does_not_exist_is_a_failure(tcp: RogueTcp, bus_to: OpenBus) -> None:
    report = await timed(bus_to(tcp)).execute(FireValve(1, 5, 0.15))
    assert report.outcome is Outcome.FAILED
    assert report.detail == "there is no valve 5: `coils` lists 1 to 4"
    assert tcp.frames == []


async def test_all_off_writes_contiguous_coils_in_one_request(
    rogue: AnyRogue, bus_to: OpenBus
) -> None:
    rogue.device.coils.update({16: True, 18: True})
    report = await timed(bus_to(rogue)).execute(AllValvesOff(1))
    assert report.outcome is Outcome.DONE
    assert functions(rogue) == [15, 1]
    assert not any(rogue.device.coils.values())


async def test_all_off_without_function_0f_writes_one_by_one(
    rogue: AnyRogue, bus_to: OpenBus
) -> None:
    rogue.device.no_block_writes = True
    rogue.device.coils.update({16: True, 18: True})
    report = await timed(bus_to(rogue)).execute(AllValvesOff(1))
    assert report.outcome is Outcome.DONE
    assert functions(rogue) == [15, 5, 5, 5, 5, 1]
    assert not any(rogue.device.coils.values())


async def test_all_off_writes_scattered_coils_one_by_one_and_leaves_others_alone(
    rogue: AnyRogue, bus_to: OpenBus
) -> None:
    rogue.device.coils.update({1: True, 2: True, 3: True, 40: True})
    report = await timed(bus_to(rogue), coils=[1, 3, 40]).execute(AllValvesOff(1))
    assert report.outcome is Outcome.DONE
    assert functions(rogue) == [5, 5, 5, 1, 1]
    assert [coil for coil, on in rogue.device.coils.items() if on] == [2]


async def test_all_off_reads_one_by_one_where_the_gap_is_refused(
    rogue: AnyRogue, bus_to: OpenBus
) -> None:
    rogue.device.missing.add((1, 2))
    report = await timed(bus_to(rogue), coils=[1, 3]).execute(AllValvesOff(1))
    assert report.outcome is Outcome.DONE
    assert functions(rogue) == [5, 5, 1, 1, 1]


async def test_all_off_writes_the_others_when_one_write_fails(
    rogue: AnyRogue, bus_to: OpenBus
) -> None:
    rogue.device.coils.update({1: True, 3: True, 40: True})

    def refuse_3(request: bytes, reply: bytes) -> bytes:
        if pdu(rogue, request)[:3] == b"\x05\0\x03":
            return rogue.frame(request, 1, bytes([0x85, 4]))
        return reply

    rogue.tamper = refuse_3
    report = await timed(bus_to(rogue), coils=[1, 3, 40]).execute(AllValvesOff(1))
    assert report.outcome is Outcome.FAILED
    assert "coil 3" in report.detail
    assert rogue.device.coils[40] is False


async def test_all_off_reports_what_stays_on(rogue: AnyRogue, bus_to: OpenBus) -> None:
    rogue.device.coils.update({16: True, 18: True})
    rogue.device.stuck_on.add(18)
    report = await timed(bus_to(rogue)).execute(AllValvesOff(1))
    assert report.outcome is Outcome.STUCK_ON
    assert report.detail == "reads on after being switched off: valve 3"


async def test_all_off_cuts_a_pulse_short(
    rogue: AnyRogue, bus_to: OpenBus, leap: LeapClock
) -> None:
    outs = timed(bus_to(rogue, timeout_s=5.0))
    at_pulse = asyncio.Event()

    def hold_the_pulse() -> None:
        leap.hold = asyncio.Event() if leap.sleeps[-1] > 0.1 else None
        if leap.hold:
            at_pulse.set()

    leap.on_sleep = hold_the_pulse
    firing = asyncio.create_task(outs.execute(FIRE_2))
    await at_pulse.wait()
    assert (await outs.execute(AllValvesOff(2))).outcome is Outcome.DONE
    fired = await firing
    assert (fired.outcome, fired.detail) == (
        Outcome.FAILED,
        "valve 2: cut short; it reads off",
    )


@pytest.mark.parametrize("kind", [timed, one_shot])
async def test_a_pulse_given_up_before_it_has_begun_does_not_begin(
    rogue: AnyRogue, bus_to: OpenBus, kind: Callable[..., CoilOutputs]
) -> None:
    outs = kind(bus_to(rogue, timeout_s=5.0))
    off: list[asyncio.Task[OutputReport]] = []

    def overtaken(request: bytes, reply: bytes) -> bytes:
        if not off:  # the valves are being read, before one is switched on
            off.append(asyncio.create_task(outs.execute(AllValvesOff(9))))
        return reply

    rogue.tamper = overtaken
    report = await outs.execute(FIRE_2)
    assert (report.outcome, report.detail) == (Outcome.FAILED, "valve 2 not fired: given up")
    assert (await off[0]).outcome is Outcome.DONE
    assert True not in {on for _, on in rogue.device.coil_writes}
