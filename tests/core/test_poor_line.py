"""A line that loses replies: everything comes later by what is lost at most, and never in silence.

Losses are drawn over their pattern, the signal that is lost, the poll period and the delays; each
history is held against the same one on a perfect line.
"""

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace
from random import Random
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from core.driver import ALL_FITTED, BASE, LOST, Collector, chosen, ready, with_header
from dustcake.core.alarms.names import ACTIVE, AlarmName, AlarmSetting, Priority
from dustcake.core.events import CleaningStarted
from dustcake.core.inputs import Contacts, Measured, Signal
from dustcake.core.reasons import Because
from dustcake.core.requests.kinds import SetZero
from dustcake.core.setpoints import BlowerRequest, Setpoints
from dustcake.core.signal_gaps import OFTEN, SELDOM, WITHIN_S
from dustcake.core.signal_validation.state import find
from examples import explore

STALE_S = BASE.stale_after_s
SIGNALS = ("dp", "header", "contacts", "all")
IN_ORDER = Contacts(True, False, False, True, False, False)
UNREAD = Contacts()
HEADER_PA = 600_000.0


@dataclass(frozen=True)
class Losses:
    """Which polls bring nothing of ``signal``: each ``nth``, a ``share`` at random, or bursts."""

    signal: str
    nth: int = 0
    share: float = 0.0
    burst_s: float = 0.0
    seed: int = 0

    def polls(self, poll_s: float) -> Iterator[bool]:
        """Whether each poll in turn is lost; never for as long as makes a reading stale."""
        chance, longest = Random(self.seed), int((STALE_S - 1e-6) / poll_s)
        lost_s, run, polled = 0.0, 0, 0
        while True:
            polled += 1
            if self.nth:
                lost = polled % self.nth == 0
            elif self.burst_s:
                if lost_s <= 0 and chance.random() < poll_s / 20.0:
                    lost_s = self.burst_s
                lost, lost_s = lost_s > 0, lost_s - poll_s
            else:
                lost = chance.random() < self.share
            run = run + 1 if lost and run < longest else 0
            yield run > 0


@st.composite
def losses(draw: st.DrawFn) -> Losses:
    signal = draw(st.sampled_from(SIGNALS))
    seed = draw(st.integers(0, 2**32 - 1))
    kind = draw(st.sampled_from(("nth", "share", "burst")))
    if kind == "nth":
        return Losses(signal, nth=draw(st.integers(2, 60)))
    if kind == "share":
        return Losses(
            signal, share=draw(st.sampled_from((0.01, 0.05, 0.1, 0.2, 0.35, 0.5))), seed=seed
        )
    return Losses(signal, burst_s=draw(st.floats(0.5, 4.5)), seed=seed)


def alarms(on_delay_s: float, off_delay_s: float) -> tuple[AlarmSetting, ...]:
    """All alike, but that a fieldbus is not lost at once: if one lost poll were, it would explain
    what is watched here."""
    on_s = dict.fromkeys(AlarmName, on_delay_s) | {AlarmName.FIELDBUS_LOST: 30.0}
    return tuple(
        AlarmSetting(name, True, on_s[name], off_delay_s, Priority.MEDIUM) for name in AlarmName
    )


def plant(on_delay_s: float, alarm_on_s: float = 20.0, alarm_off_s: float = 15.0) -> Setpoints:
    return chosen(
        with_header(),
        fitted=ALL_FITTED,
        cleaning={"on_delay_s": on_delay_s},
        alarms=alarms(alarm_on_s, alarm_off_s),
        blower={"request": BlowerRequest.NONE},
    )


def live(
    setpoints: Setpoints,
    lost: Losses | None,
    poll_s: float,
    phases: tuple[tuple[float, dict[str, Any]], ...],
) -> tuple[Collector, float]:
    """A collector through ``phases``, each of so many seconds; and the longest it lost in one
    piece, in seconds."""
    collector = Collector(setpoints)
    polls = lost.polls(poll_s) if lost is not None else iter(lambda: False, True)
    longest_s = run_s = 0.0
    for for_s, now in phases:
        dp: Signal = Measured(now.get("dp", 800.0))
        contacts = replace(IN_ORDER, **now.get("contacts", {}))
        header = Measured(now.get("header", HEADER_PA))
        for _ in range(round(for_s / poll_s)):
            gone = lost.signal if next(polls) and lost is not None else ""
            run_s = run_s + poll_s if gone else 0.0
            longest_s = max(longest_s, run_s)
            collector.header = LOST if gone in ("header", "all") else header
            collector.contacts = UNREAD if gone in ("contacts", "all") else contacts
            if setpoints.header is None:
                collector.header = None
            collector.poll(LOST if gone in ("dp", "all") else dp, after_s=poll_s)
    return collector, longest_s


def raised(collector: Collector, name: AlarmName) -> list[float]:
    """When an alarm became active."""
    return [t for t, state in collector.alarm_changes(name) if state in ACTIVE]


def cleared(collector: Collector, name: AlarmName) -> list[float]:
    return [t for t, state in collector.alarm_changes(name) if state == "returned"]


PHASES: tuple[tuple[float, dict[str, Any]], ...] = (
    (30.0, {}),
    (90.0, {"dp": 1600.0, "header": 300_000.0, "contacts": {"smoke": True, "drum_full": True}}),
    (60.0, {}),
    (90.0, {"dp": 60.0}),
    (60.0, {}),
    (90.0, {"contacts": {"blower_running": False}}),
    (60.0, {}),
)
"""High dP with a low header, smoke and a full drum; low dP; a blower that stands although the
process runs. In order in between."""

WATCHED = (
    AlarmName.HIGH_DP,
    AlarmName.LOW_DP,
    AlarmName.HEADER_PRESSURE_LOW,
    AlarmName.SMOKE,
    AlarmName.DRUM_FULL,
    AlarmName.BLOWER_NOT_PROVED,
)


def test_alarms_come_and_go_later_by_no_more_than_what_was_lost() -> None:
    seen: Counter[str] = Counter()

    @given(
        losses(),
        st.sampled_from((0.2, 0.5, 1.0, 2.0, 3.0)),
        st.sampled_from((0.0, 3.0, 10.0, 20.0)),
        st.sampled_from((0.0, 5.0, 15.0)),
    )
    def every_line(lost: Losses, poll_s: float, on_s: float, off_s: float) -> None:
        setpoints = chosen(
            plant(5.0, on_s, off_s),
            limits={"low_start_delay_s": 30.0},
            signal_validation={"jump_pa": 1e9, "no_dp_after_s": 0.0, "frozen_after_s": 0.0},
        )
        perfect, _ = live(setpoints, None, poll_s, PHASES)
        poor, longest_s = live(setpoints, lost, poll_s, PHASES)
        late_s = longest_s + poll_s + 1e-6
        for name in WATCHED:
            for of in (raised, cleared):
                want, got = of(perfect, name), of(poor, name)
                assert want, name
                assert got, name
                assert want[0] - 1e-6 <= got[0] <= want[0] + 2 * late_s, (name, of.__name__)
                seen[name] += 1
        seen["lost"] += longest_s > 0

    explore(every_line, 60, seen, {"lost": 40})


def test_cleaning_begins_later_by_no_more_than_what_was_lost() -> None:
    """Whatever is lost; and it does clean."""
    seen: Counter[str] = Counter()

    @given(
        losses(),
        st.sampled_from((0.2, 0.5, 1.0, 2.0, 3.0)),
        st.sampled_from((0.0, 5.0, 20.0, 60.0)),
    )
    def every_line(lost: Losses, poll_s: float, on_delay_s: float) -> None:
        setpoints = chosen(plant(on_delay_s), signal_validation={"jump_pa": 1e9})
        phases: tuple[tuple[float, dict[str, Any]], ...] = (
            (30.0, {}),
            (on_delay_s + 150.0, {"dp": 1100.0}),
        )
        perfect, _ = live(setpoints, None, poll_s, phases)
        poor, longest_s = live(setpoints, lost, poll_s, phases)
        (want_s, _), (got_s, _) = perfect.when(CleaningStarted)[0], poor.when(CleaningStarted)[0]
        assert want_s - 1e-6 <= got_s <= want_s + 2 * (longest_s + poll_s) + 1e-6
        assert len(poor.when(CleaningStarted)) == 1, "a lost reply ends no run"
        assert len(poor.pulses) >= len(perfect.pulses) / (2 + longest_s / 5.0)
        seen["lost"] += longest_s > 0

    explore(every_line, 60, seen, {"lost": 40})


def test_a_line_that_is_often_bad_raises_an_alarm_and_one_that_seldom_is_does_not() -> None:
    seen: Counter[str] = Counter()

    @given(losses(), st.sampled_from((0.5, 1.0, 2.0)))
    def every_line(lost: Losses, poll_s: float) -> None:
        setpoints = chosen(plant(20.0), signal_validation={"jump_pa": 1e9, "frozen_after_s": 0.0})
        polls = lost.polls(poll_s)
        share = sum(next(polls) for _ in range(4000)) / 4000
        poor, _ = live(setpoints, lost, poll_s, ((3 * WITHIN_S, {}),))
        alarmed = bool(raised(poor, AlarmName.READINGS_OFTEN_LOST))
        if share > 1.4 * OFTEN:
            assert alarmed, share
            seen["raised"] += 1
        if share < SELDOM:
            assert not alarmed, share
            seen["not raised"] += 1

    explore(every_line, 60, seen, {"raised": 10, "not raised": 5})


# --- what a lost reply holds, and what begins anew


def often_lost(for_s: float, dp_pa: float, setpoints: Setpoints, nth: int = 6) -> Collector:
    collector, _ = live(setpoints, Losses("dp", nth=nth), 1.0, ((30.0, {}), (for_s, {"dp": dp_pa})))
    return collector


@pytest.mark.parametrize("nth", [2, 3, 6, 60])
def test_four_hours_high_with_each_nth_reply_lost(nth: int) -> None:
    setpoints = chosen(
        plant(20.0, 60.0, 30.0), signal_validation={"frozen_after_s": 0.0, "jump_pa": 1e9}
    )
    collector = often_lost(4 * 3600.0, 1744.0, setpoints, nth)
    assert collector.when(CleaningStarted)
    assert len(collector.pulses) > 50
    assert raised(collector, AlarmName.HIGH_DP)
    assert raised(collector, AlarmName.FILTER_REPLACEMENT)
    assert raised(collector, AlarmName.CLEANING_NOT_EFFECTIVE) or (
        collector.alarm(AlarmName.CLEANING_NOT_EFFECTIVE).condition_active
    )
    assert bool(raised(collector, AlarmName.READINGS_OFTEN_LOST)) is (nth <= 6)


def test_the_reason_says_which_reading_and_how_many_of_it() -> None:
    collector = often_lost(
        1200.0, 800.0, chosen(plant(20.0), signal_validation={"frozen_after_s": 0.0}), 4
    )
    reason = collector.alarm(AlarmName.READINGS_OFTEN_LOST).reason
    assert (reason.code, reason.detail) == (Because.READINGS_OFTEN_LOST, "dP")
    assert dict(reason.values)["usable_percent"] == pytest.approx(90.0, abs=1.0)


def test_it_is_told_until_few_are_lost_any_more() -> None:
    setpoints = chosen(plant(20.0), signal_validation={"frozen_after_s": 0.0})
    collector = often_lost(1800.0, 800.0, setpoints, 4)
    lost_at_s = collector.t
    collector.header, collector.contacts = Measured(HEADER_PA), IN_ORDER
    collector.hold(800.0, 1200)
    (gone_s,) = cleared(collector, AlarmName.READINGS_OFTEN_LOST)
    # From a quarter down to SELDOM, at the rate at which it is forgotten.
    assert 0.9 * WITHIN_S < gone_s - lost_at_s < 1.8 * WITHIN_S


def test_one_long_failure_is_not_often() -> None:
    collector = ready(chosen(plant(20.0)), **IN_ORDER_CONTACTS)
    collector.hold(LOST, 3600)
    collector.hold(800.0, 60)
    assert not raised(collector, AlarmName.READINGS_OFTEN_LOST)
    assert raised(collector, AlarmName.TRANSMITTER_FAULT)


def test_a_reading_beyond_its_span_is_no_lost_one() -> None:
    collector = ready(chosen(plant(20.0), signal_validation={"jump_pa": 1e9}), **IN_ORDER_CONTACTS)
    for _ in range(1000):
        collector.poll(2600.0)
        collector.poll(2000.0)
    assert not raised(collector, AlarmName.READINGS_OFTEN_LOST)


def test_how_often_is_remembered_through_a_restart() -> None:
    collector = often_lost(
        1800.0, 800.0, chosen(plant(20.0), signal_validation={"frozen_after_s": 0.0}), 4
    )
    share = collector.state.line.dp.lost
    assert share > OFTEN
    collector.restart()
    assert collector.state.line.dp.lost == share
    assert collector.state.line.dp.since_s is None


IN_ORDER_CONTACTS: Any = {
    "blower_running": True,
    "smoke": False,
    "door_open": False,
    "process_running": True,
    "stop": False,
    "drum_full": False,
}


@pytest.mark.parametrize(("polls", "anew"), [(4, False), (5, True), (6, True)])
def test_an_on_delay_begins_anew_once_dp_has_not_been_known_for_long(
    polls: int, anew: bool
) -> None:
    """Not known from the first poll that does not bring it to the first that does."""
    collector = ready(chosen(cleaning={"on_delay_s": 20.0}))
    collector.hold(1100.0, 1)
    high_s = collector.t
    collector.hold(1100.0, 9).hold(LOST, polls).hold(1100.0, 1)
    back_s = collector.t
    collector.hold(1100.0, 30)
    ((start_s, _),) = collector.when(CleaningStarted)
    assert start_s == (back_s if anew else high_s) + 20.0


def test_no_delay_ends_while_dp_is_not_known() -> None:
    collector = ready(chosen(cleaning={"on_delay_s": 5.0})).hold(1100.0, 4).hold(LOST, 4)
    assert not collector.is_cleaning()
    assert collector.hold(1100.0, 1).is_cleaning()


def test_a_value_in_between_begins_the_delay_of_an_alarm_anew() -> None:
    """Inside the deadband is known, and no lost reply."""
    collector = ready(chosen(cleaning={"on_delay_s": 600.0}))
    for _ in range(20):
        collector.hold(1600.0, 8).hold(1470.0, 1)
    assert not raised(collector, AlarmName.HIGH_DP)
    for _ in range(3):
        collector.hold(1600.0, 8).hold(LOST, 1)
    assert raised(collector, AlarmName.HIGH_DP)


def test_the_blower_goes_on_running_through_lost_replies() -> None:
    collector = Collector(plant(20.0), **IN_ORDER_CONTACTS)
    collector.hold(800.0, 10)
    since_s, counted = collector.state.blower.since_s, collector.state.blower
    for _ in range(100):
        collector.hold(800.0, 3, blower_running=True).hold(800.0, 3, blower_running=None)
    blower = collector.state.blower
    assert (blower.running, blower.since_s) == (True, since_s)
    assert (
        blower.total_until_s(collector.t) == counted.total_until_s(since_s) + collector.t - since_s
    )
    collector.hold(800.0, 6, blower_running=None)
    assert collector.state.blower.running is None


def test_what_is_only_held_fires_no_pulse() -> None:
    collector = ready(plant(0.0), **IN_ORDER_CONTACTS)
    collector.hold(1100.0, 2)
    before = len(collector.pulses)
    collector.hold(1100.0, 4, blower_running=None)
    assert collector.is_cleaning()
    assert len(collector.pulses) == before
    assert collector.met("blower_running") == "no"


def test_a_lost_bus_does_not_clear_a_blower_that_is_not_proved() -> None:
    collector = ready(plant(20.0), **IN_ORDER_CONTACTS)
    collector.hold(0.0, 60, blower_running=False)
    assert collector.alarm(AlarmName.BLOWER_NOT_PROVED).condition_active
    collector.contacts, collector.header = UNREAD, LOST
    collector.hold(LOST, 120)
    assert collector.alarm(AlarmName.BLOWER_NOT_PROVED).condition_active


def test_a_zero_is_taken_although_replies_are_lost() -> None:
    setpoints = plant(20.0)
    collector = ready(setpoints, **IN_ORDER_CONTACTS)
    collector.hold(3.0, setpoints.zeroing.blower_off_s + 10, blower_running=False)
    assert collector.ask(SetZero()).accepted
    for _ in range(round(setpoints.zeroing.average_s)):
        collector.poll(3.0)
        collector.poll(LOST, blower_running=None)
        collector.poll(3.0, blower_running=False)
    assert collector.state.zero.offset_pa == pytest.approx(3.0)


def test_the_zero_at_rest_is_looked_at_although_replies_are_lost() -> None:
    collector = ready(
        chosen(plant(20.0), signal_validation={"zero_check_after_s": 120.0}), **IN_ORDER_CONTACTS
    )
    collector.hold(3.0, 119, blower_running=False)
    for _ in range(20):
        collector.hold(3.0, 5, blower_running=False).hold(LOST, 1, blower_running=None)
    assert collector.state.signal_validation.zero_pa == pytest.approx(3.0)


def test_no_dp_with_flow_is_seen_although_replies_are_lost() -> None:
    setpoints = chosen(
        plant(20.0), signal_validation={"no_dp_pa": 5.0, "no_dp_after_s": 60.0, "jump_pa": 1e9}
    )
    collector = ready(setpoints, **IN_ORDER_CONTACTS)
    for _ in range(20):
        collector.hold(0.0, 5, blower_running=True).hold(LOST, 1, blower_running=None)
    assert find(collector.state.signal_validation.doubts, Because.ZERO_WITH_FLOW) is not None


def test_a_jump_across_a_lost_reply_is_a_jump() -> None:
    setpoints = chosen(plant(600.0), signal_validation={"jump_pa": 200.0, "jump_confirm_s": 10.0})
    collector = ready(setpoints, **IN_ORDER_CONTACTS)
    collector.hold(800.0, 60)
    collector.hold(LOST, 2, blower_running=None).hold(1300.0, 1, blower_running=True)
    assert collector.state.sample.reasons[0].code is Because.JUMP_UNEXPLAINED
    for _ in range(4):
        collector.hold(1300.0, 3, blower_running=True).hold(LOST, 1, blower_running=None)
    collector.hold(1300.0, 1, blower_running=True)
    assert find(collector.state.signal_validation.doubts, Because.ROSE_AT_ONCE) is not None


def test_pulses_count_towards_replacement_although_the_header_is_lost_at_each() -> None:
    setpoints = chosen(plant(0.0), signal_validation={"jump_pa": 1e9, "frozen_after_s": 0.0})
    collector = ready(setpoints, **IN_ORDER_CONTACTS)
    for _ in range(400):
        due = collector.t + 2.0 >= collector.state.pulsing.last_s + 10.0
        collector.header = LOST if due else Measured(HEADER_PA)
        collector.hold(1400.0, 1)
    assert collector.pulses
    assert collector.state.replacement.pulses >= 8
