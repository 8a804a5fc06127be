"""No pulse of a cleaning run begins unless flow is proved: by the blower contact, or by dP."""

from collections import Counter
from collections.abc import Callable
from itertools import product
from random import Random
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from core.driver import BASE, LOST, Collector, board, chosen, ready
from core.safety import check
from core.traces import SEEDS, Move, Script, Taken, play
from dustcake.core.commands import FireValve, SetDemand
from dustcake.core.events import CleaningStarted, CleaningStopped, ZeroTaken
from dustcake.core.inputs import Measured, PollCompleted, Signal
from dustcake.core.reasons import Because
from dustcake.core.requests.kinds import Mode, PulseValve, SelectMode, SetZero
from dustcake.core.setpoints import OnBadReading, OutputKind, Setpoints
from dustcake.core.state import Phase
from examples import explore

GRACE_S = BASE.stale_after_s
PROOF_PA = BASE.blower.flow_proof_pa
TIMED = chosen(cleaning={"mode": Mode.TIMED})
FINISHES = chosen(cleaning={"finish_cycle": True})
ACCEPTED = chosen(TIMED, blower={"timed_unproved": True})


def stops(collector: Collector) -> list[Because]:
    return [body.reason.code for body in collector.of(CleaningStopped)]


def shown(collector: Collector) -> tuple[Phase, Because]:
    return collector.last.state.decision.phase, collector.because


def closed(collector: Collector) -> list[bool]:
    return [command.closed for _, command in collector.sent(SetDemand)]


# --- every kind of run, of output and of proof, through flow that comes and goes

# What a poll brings of flow: dP, and what a contact says, which only counts where one is fitted.
FLOW: dict[str, tuple[float | Signal, bool | None]] = {
    "high": (1100.0, True),
    "between": (800.0, True),
    "at the low set point": (750.0, True),
    "clean": (60.0, True),
    "at the proof": (PROOF_PA, True),
    "just below the proof": (PROOF_PA - 0.1, True),
    "half the proof": (PROOF_PA / 2, True),
    "just below half": (PROOF_PA / 2 - 0.1, True),
    "stopped": (0.0, False),
    "spinning down": (200.0, False),
    "lost": (LOST, True),
    "lost, and stopped meanwhile": (LOST, False),
    "not a number, and stopped": (Measured(float("nan")), False),
    "contact lost": (1100.0, None),
    "all lost": (LOST, None),
}
OFTEN = ("high", "high", "between", "lost", "lost", "all lost", "all lost", *FLOW)


def flows(seed: int) -> Move:
    """Flow as one of ``FLOW`` for a while, read at one rhythm; or nothing is read at all."""
    rng = Random(seed)
    name = rng.choice(OFTEN)
    dp, contact = FLOW[name]
    count, every_s = rng.choice((1, 1, 2, 4, 7, 15, 40)), rng.choice((0.5, 1.0, 1.0, 2.0))
    if rng.random() < 0.05:
        return lambda collector: collector.wait(count * every_s)

    def move(collector: Collector) -> None:
        for _ in range(count):
            collector.poll(dp, after_s=every_s, blower_running=contact)

    return move


def some_setpoints(
    seed: int, mode: Mode, output: OutputKind, *, contact: bool, accepted: bool
) -> Setpoints:
    of = Random(seed).choice
    return chosen(
        fitted={"blower_running": contact},
        settle_s=0.0,
        stale_after_s=of((3.0, 5.0)),
        cleaning={
            "mode": mode,
            "on_delay_s": of((0.0, 2.5)),
            "finish_cycle": of((True, True, False)),
            "timed_interval_s": of((2.0, 7.0)),
            "rest_s": 1.0,
            "on_bad_reading": of((OnBadReading.TIMED, OnBadReading.TIMED, OnBadReading.HOLD)),
            "fallback_delay_s": of((0.0, 4.0)),
            "fallback_interval_s": of((2.0, 6.0)),
            "downtime": contact and of((True, False)),
            "downtime_spin_down_s": of((0.0, 4.0)),
            "downtime_min_run_s": 0.0,
        },
        pulsing={"kind": output, "interval_s": of((1.0, 2.0)), "sequencer_cycle_s": 9.0},
        blower={"timed_unproved": accepted},
    )


class Proof:
    """Whether flow is proved, told from what is read alone."""

    def __init__(self, setpoints: Setpoints) -> None:
        self._setpoints = setpoints
        self._poll: PollCompleted | None = None
        self._proved = False
        self._unknown_since_s: float | None = None

    def follow(self, taken: Taken) -> bool:
        happened, now_s = taken.happened, taken.happened.at.mono_s
        if isinstance(happened, PollCompleted):
            self._poll = happened
        poll, stale_s = self._poll, self._setpoints.stale_after_s
        if poll is None:
            return False
        if now_s >= poll.at.mono_s + stale_s:
            if self._unknown_since_s is None:
                self._unknown_since_s = poll.at.mono_s
            return False
        if self._setpoints.fitted.blower_running:
            return poll.contacts.blower_running is True
        if not isinstance(poll.dp, Measured) or poll.dp.pa != poll.dp.pa:
            if self._unknown_since_s is None:
                self._unknown_since_s = poll.at.mono_s
            return False
        since_s, self._unknown_since_s = self._unknown_since_s, None
        held = self._proved and (since_s is None or poll.at.mono_s < since_s + stale_s)
        self._proved = poll.dp.pa >= (PROOF_PA / 2 if held else PROOF_PA)
        return self._proved


def judge(history: list[Taken], setpoints: Setpoints, seen: Counter[str]) -> None:
    """No pulse begins, and no demand contact is or stays closed, without proof, but in downtime."""
    proof, is_closed, accepted = Proof(setpoints), False, setpoints.blower.timed_unproved
    for taken in history:
        proved, kind = proof.follow(taken), taken.after.state.decision.kind
        free = kind == "downtime" or (kind == "timed" and accepted)
        for command in taken.after.commands:
            if isinstance(command, SetDemand):
                is_closed = command.closed
        fires = any(isinstance(command, FireValve) for command in taken.after.commands)
        if fires or is_closed:
            assert proved or free, f"pulses {kind} without proved flow"
            seen[f"{kind} pulses" if proved else f"{kind} pulses without flow"] += 1
        if kind is not None and not proved:
            seen[f"{kind} without flow"] += 1


@pytest.mark.parametrize(
    ("mode", "output", "by"),
    list(
        product(
            (Mode.ON_DEMAND, Mode.TIMED),
            OutputKind,
            ("contact", "dP", "dP, or what is written down"),
        )
    ),
)
def test_no_pulse_without_proved_flow(mode: Mode, output: OutputKind, by: str) -> None:
    seen: Counter[str] = Counter()
    contact, accepted = by == "contact", by == "dP, or what is written down"

    @given(st.lists(SEEDS.map(flows), min_size=8, max_size=25).map(tuple), SEEDS)
    def every_history(script: Script, seed: int) -> None:
        setpoints = some_setpoints(seed, mode, output, contact=contact, accepted=accepted)
        history = play(script, setpoints)
        judge(history, setpoints, seen)
        check(history)

    expected = {f"{mode} pulses", f"{mode} without flow"}
    if contact:
        expected |= {"downtime pulses without flow"}
    if contact and mode is Mode.ON_DEMAND:
        expected |= {"fallback pulses", "fallback without flow"}
    if accepted and mode is Mode.TIMED:
        expected |= {"timed pulses without flow"}
    explore(every_history, 60, seen, dict.fromkeys(expected, 20))


# --- timed

Stops = Callable[[Collector], Any]


@pytest.mark.parametrize("dp", [0.0, PROOF_PA / 2 - 0.1, LOST, Measured(float("nan"))])
def test_timed_cleaning_waits_at_once_and_ends_to_the_second(dp: float | Signal) -> None:
    collector = ready(TIMED).hold(800.0, 20)
    collector.poll(dp)
    since_s, pulses = collector.t, len(collector.sent(FireValve))
    assert pulses > 0
    assert shown(collector) == (Phase.HELD, Because.FLOW_NOT_PROVED)
    assert collector.met("blower_running") == "no"
    collector.poll(dp, after_s=2.5)
    collector.advance(since_s + GRACE_S - 0.001)
    assert stops(collector) == []
    collector.advance(since_s + GRACE_S)
    assert shown(collector) == (Phase.BLOCKED, Because.FLOW_NOT_PROVED)
    assert collector.when(CleaningStopped)[0][0] == since_s + GRACE_S
    collector.hold(dp, 600)
    assert len(collector.sent(FireValve)) == pulses
    assert stops(collector) == [Because.FLOW_NOT_PROVED]
    collector.hold(800.0, 1)
    assert [body.kind for body in collector.of(CleaningStarted)] == ["timed", "timed"]
    assert len(collector.sent(FireValve)) == pulses + 1


def test_one_odd_reading_ends_no_run_and_costs_no_pulse() -> None:
    collector = ready(TIMED)
    for odd in (0.0, LOST, 10.0):
        collector.hold(800.0, 14).poll(odd)
    collector.hold(800.0, 20)
    assert stops(collector) == []
    assert len(collector.sent(FireValve)) == 5


def test_dp_that_is_lost_first_and_gone_when_it_is_back() -> None:
    """The blower stops while nothing is read."""
    collector = ready(TIMED).hold(800.0, 20)
    pulses = len(collector.sent(FireValve))
    collector.hold(LOST, 4).hold(0.0, 60)
    assert len(collector.sent(FireValve)) == pulses
    assert stops(collector) == [Because.FLOW_NOT_PROVED]
    # The proof is held while nothing is read, and gone with the first reading that denies it.
    assert collector.when(CleaningStopped)[0][0] == collector.t - 59.0 + GRACE_S


def test_dp_that_falls_first_and_is_lost_then() -> None:
    collector = ready(TIMED).hold(800.0, 20).hold(10.0, 3)
    since_s = collector.t - 2.0
    collector.hold(LOST, 30)
    assert collector.when(CleaningStopped)[0][0] == since_s + GRACE_S


def test_clean_filters_near_the_proof_are_left_alone_until_dp_is_back() -> None:
    collector = ready(TIMED).hold(PROOF_PA, 60).hold(PROOF_PA / 2, 60)
    pulses = len(collector.sent(FireValve))
    assert pulses == 8
    collector.hold(PROOF_PA / 2 - 0.1, 60).hold(PROOF_PA - 0.1, 60)
    assert len(collector.sent(FireValve)) == pulses
    collector.hold(PROOF_PA, 31)
    assert len(collector.sent(FireValve)) == pulses + 3


def test_at_the_start_nothing_is_proved() -> None:
    collector = Collector(TIMED)
    assert shown(collector) == (Phase.BLOCKED, Because.FLOW_NOT_PROVED)
    collector.hold(PROOF_PA - 0.1, 100)
    assert (collector.sent(FireValve), collector.of(CleaningStarted)) == ([], [])
    collector.poll(PROOF_PA)
    assert len(collector.sent(FireValve)) == 1


def test_where_it_is_written_down_timed_cleaning_goes_on() -> None:
    collector = ready(ACCEPTED).hold(0.0, 60).hold(LOST, 60)
    assert len(collector.sent(FireValve)) == 8
    assert stops(collector) == []


@pytest.mark.parametrize("dp", [0.0, LOST])
def test_what_is_written_down_is_for_timed_cleaning_only(dp: float | Signal) -> None:
    collector = ready(chosen(FINISHES, blower={"timed_unproved": True})).hold(1100.0, 3)
    collector.hold(dp, 60)
    assert len(collector.sent(FireValve)) == 1
    assert not collector.is_cleaning()
    collector.ask(SelectMode(Mode.TIMED))
    collector.hold(dp, 30)
    pulses = len(collector.sent(FireValve))
    assert pulses > 1
    collector.ask(SelectMode(Mode.ON_DEMAND))
    collector.hold(dp, 60)
    assert len(collector.sent(FireValve)) == pulses


def test_a_contact_that_is_fitted_is_not_waived() -> None:
    collector = ready(chosen(ACCEPTED, fitted={"blower_running": True}), blower_running=True)
    collector.hold(800.0, 3, blower_running=False)
    pulses = len(collector.sent(FireValve))
    collector.hold(800.0, 60)
    assert len(collector.sent(FireValve)) == pulses
    assert collector.because is Because.BLOWER_OFF


# --- on demand


def test_a_cycle_is_not_finished_without_flow() -> None:
    """dP that falls because the blower has stopped passes the low set point too."""
    collector = ready(FINISHES).hold(1100.0, 3).hold(0.0, 1)
    assert shown(collector) == (Phase.HELD, Because.FLOW_NOT_PROVED)
    collector.hold(0.0, 60)
    assert len(collector.sent(FireValve)) == 1
    assert stops(collector) == [Because.FLOW_NOT_PROVED]
    assert shown(collector) == (Phase.IDLE, Because.BELOW_HIGH)


def test_a_cycle_goes_on_when_flow_is_back_in_time() -> None:
    collector = ready(FINISHES).hold(1100.0, 8).hold(0.0, 4).hold(700.0, 60)
    assert len(collector.sent(FireValve)) == 4
    assert stops(collector) == [Because.LOW_REACHED]


def test_cleaning_that_works_well_finishes_its_cycle_near_the_proof() -> None:
    low = chosen(FINISHES, cleaning={"low_pa": PROOF_PA + 1.0, "high_pa": 200.0})
    collector = ready(low).hold(210.0, 3).hold(PROOF_PA / 2, 60)
    assert len(collector.sent(FireValve)) == 4
    assert stops(collector) == [Because.LOW_REACHED]


def test_without_a_contact_there_is_no_fallback() -> None:
    collector = ready().hold(1100.0, 3).hold(LOST, 300)
    assert len(collector.sent(FireValve)) == 1
    assert collector.because is Because.FALLBACK_NEEDS_BLOWER


# --- the demand contact, the pulse by request, the zero


@pytest.mark.parametrize("dp", [0.0, LOST])
@pytest.mark.parametrize("mode", [Mode.TIMED, Mode.ON_DEMAND])
def test_the_demand_contact_is_opened_at_once(mode: Mode, dp: float | Signal) -> None:
    collector = ready(board(cleaning={"mode": mode, "finish_cycle": True})).hold(1100.0, 5)
    assert closed(collector) == [True]
    collector.poll(dp)
    assert closed(collector) == [True, False]
    assert collector.sent(SetDemand)[-1][0] == collector.t
    collector.hold(dp, 60)
    assert closed(collector) == [True, False]


def test_time_without_flow_is_no_cleaning() -> None:
    """The board was not let pulse meanwhile, so its cycle is not over."""
    finishes = board(cleaning={"finish_cycle": True})
    collector = ready(finishes).hold(1100.0, 10).hold(10.0, 4).hold(700.0, 29)
    assert collector.is_cleaning()
    collector.hold(700.0, 3)
    assert stops(collector) == [Because.LOW_REACHED]


def test_one_pulse_by_request_needs_no_flow() -> None:
    collector = ready(TIMED).hold(0.0, 60)
    answer = collector.ask(PulseValve(2))
    assert answer.accepted
    assert [command.valve for _, command in collector.sent(FireValve)][-1] == 2


def test_the_zero_can_be_taken_when_the_run_has_ended() -> None:
    collector = ready(TIMED).hold(800.0, 20).hold(4.0, 4)
    assert collector.ask(SetZero(True)).reason.code is Because.ZERO_WHILE_CLEANING
    collector.hold(4.0, 4)
    pulses = len(collector.sent(FireValve))
    assert collector.ask(SetZero(True)).accepted
    collector.hold(4.0, 10)
    assert len(collector.of(ZeroTaken)) == 1
    assert len(collector.sent(FireValve)) == pulses


def test_no_pulse_while_the_zero_is_taken_although_dp_was_enough_before() -> None:
    """While a zero is taken the reading is no measurement, so it proves nothing."""
    wide = chosen(cleaning={"mode": Mode.OFF}, zeroing={"limit_pa": 100.0})
    collector = ready(wide).hold(60.0, 20)
    assert collector.ask(SetZero(True)).accepted
    collector.poll(60.0)
    collector.ask(SelectMode(Mode.TIMED))
    collector.hold(60.0, 3)
    assert collector.because is Because.FLOW_NOT_PROVED
    assert collector.sent(FireValve) == []
