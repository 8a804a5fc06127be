"""Cores with one thing wrong each: the checks must object to them, and to the real one never."""

from collections.abc import Callable
from dataclasses import replace

import pytest
from hypothesis import given, settings

from core.driver import ALARM_OFF_S, ALARM_ON_S, Collector, answering, chosen
from core.safety import check
from core.test_cleaning import CLEANS, TRACE
from core.test_purity import leaves_alone_what_it_is_given
from core.traces import Decide, Script, again, loud, play, scripts, setpoints
from dustcake.core.alarms.names import AlarmName
from dustcake.core.commands import AllValvesOff, FireValve, SetBlowerRun
from dustcake.core.inputs import Input, OutputReported, PollCompleted, Restarted, Woke
from dustcake.core.requests.kinds import Mode
from dustcake.core.setpoints import BlowerRequest, Setpoints
from dustcake.core.state import State
from dustcake.core.step import Step, step
from examples import scaled

pytestmark = pytest.mark.patience(300, "histories by the dozen, each played twice")

# --- the checks, each for any core


def _in_every_history(decide: Decide, judge: Callable[[Script, Setpoints], None]) -> None:
    # The real core has longer tests of its own; here it only has to pass at all.
    # A mutant is met by one of as many in every tier: the first counterexample ends it.
    count = scaled(30) if decide is step else 120
    settings(max_examples=count)(given(scripts(), setpoints())(judge))()


def safety(decide: Decide) -> None:
    def judge(script: Script, chosen: Setpoints) -> None:
        check(play(script, chosen, decide))

    _in_every_history(decide, judge)


def purity(decide: Decide) -> None:
    def judge(script: Script, chosen: Setpoints) -> None:
        leaves_alone_what_it_is_given(script[:6], chosen, decide)

    _in_every_history(decide, judge)


def quiet(decide: Decide) -> None:
    """Whoever relies on a promise misses nothing, even if nobody wakes the core."""

    def judge(script: Script, chosen: Setpoints) -> None:
        history = [t for t in play(script, chosen) if not isinstance(t.happened, Woke)]
        for short, long in zip(again(history, decide), again(history, loud), strict=True):
            assert short.events == long.events
            assert short.commands == long.commands

    _in_every_history(decide, judge)


def hysteresis(decide: Decide) -> None:
    collector = Collector(decide=decide).hold(800.0, 11)
    cleans = []
    for dp in TRACE:
        collector.poll(dp)
        cleans.append(int(collector.is_cleaning()))
    assert cleans == CLEANS


def alarm_delays(decide: Decide) -> None:
    collector = Collector(chosen(cleaning={"mode": Mode.OFF}), decide=decide).hold(800.0, 11)
    collector.poll(1500.0)
    raised_s = collector.t + ALARM_ON_S
    collector.hold(1500.0, 15)
    collector.poll(1400.0)
    cleared_s = collector.t + ALARM_OFF_S
    collector.hold(1400.0, 25)
    expected = [(raised_s, "unacknowledged"), (cleared_s, "returned")]
    assert collector.alarm_changes(AlarmName.HIGH_DP) == expected


def no_pulse_twice(decide: Decide) -> None:
    collector = Collector(decide=decide).hold(800.0, 11)
    collector.outcome = answering(FireValve=None)
    collector.poll(1100.0)
    interrupted = collector.sent(FireValve)[0][1].valve
    collector.outcome = answering()
    collector.restart()
    collector.hold(1100.0, 15)
    assert collector.pulses[0][1] != interrupted


def blower_off_at_once(decide: Decide) -> None:
    setpoints = chosen(blower={"request": BlowerRequest.PROCESS})
    collector = Collector(setpoints, decide=decide, outcome=answering(SetBlowerRun=None))
    collector.poll(800.0, process_running=True)
    collector.poll(800.0, smoke=True)
    assert [command.run for _, command in collector.sent(SetBlowerRun)] == [True, False]


CHECKS = [safety, purity, quiet, hysteresis, alarm_delays, no_pulse_twice, blower_off_at_once]


# --- the mutants


def starts_above_high_only(state: State, happened: Input, setpoints: Setpoints) -> Step:
    """``>`` for ``>=`` at the high set point."""
    higher_pa = setpoints.cleaning.high_pa + 1e-9
    return step(state, happened, chosen(setpoints, cleaning={"high_pa": higher_pa}))


def clears_alarms_at_once(state: State, happened: Input, setpoints: Setpoints) -> Step:
    """The off-delay is ignored."""
    alarms = tuple(replace(setting, off_delay_s=0.0) for setting in setpoints.alarms)
    return step(state, happened, replace(setpoints, alarms=alarms))


def starts_without_all_off(state: State, happened: Input, setpoints: Setpoints) -> Step:
    """Trusts that the valves are off after a restart."""
    after = step(state, happened, setpoints)
    if not isinstance(happened, Restarted):
        return after
    commands = tuple(c for c in after.commands if not isinstance(c, AllValvesOff))
    outputs = replace(after.state.outputs, proved=True, off_id=None, due_s=None)
    return replace(after, commands=commands, state=replace(after.state, outputs=outputs))


def forgets_the_interval(state: State, happened: Input, setpoints: Setpoints) -> Step:
    """After a restart the header does not get its interval."""
    after = step(state, happened, setpoints)
    if isinstance(happened, Restarted):
        pulsing = replace(after.state.pulsing, last_s=-1e6)
        return replace(after, state=replace(after.state, pulsing=pulsing))
    return after


def fires_two_at_once(state: State, happened: Input, setpoints: Setpoints) -> Step:
    """Two valves together, for a stronger pulse."""
    after = step(state, happened, setpoints)
    fired = [c for c in after.commands if isinstance(c, FireValve)]
    if not fired:
        return after
    second = replace(fired[0], command_id=after.state.next_command)
    counted = replace(after.state, next_command=second.command_id + 1)
    return replace(after, state=counted, commands=(*after.commands, second))


def ignores_smoke(state: State, happened: Input, setpoints: Setpoints) -> Step:
    """Takes smoke for steam."""
    if isinstance(happened, PollCompleted) and happened.contacts.smoke:
        happened = replace(happened, contacts=replace(happened.contacts, smoke=False))
    return step(state, happened, setpoints)


def pulses_without_proof_of_flow(state: State, happened: Input, setpoints: Setpoints) -> Step:
    """Timed cleaning waits for no flow, though nobody has written that down."""
    return step(state, happened, chosen(setpoints, blower={"timed_unproved": True}))


def takes_any_dp_for_flow(state: State, happened: Input, setpoints: Setpoints) -> Step:
    """Every reading proves that the blower runs."""
    return step(state, happened, chosen(setpoints, blower={"flow_proof_pa": -1e6}))


def ends_a_run_for_one_lost_reply(state: State, happened: Input, setpoints: Setpoints) -> Step:
    """A lost reading is not waited for."""
    cleaning = replace(state.cleaning, bad_since_s=-1e6)
    return step(replace(state, cleaning=cleaning, quiet=None), happened, setpoints)


def forgets_the_bar(state: State, happened: Input, setpoints: Setpoints) -> Step:
    """The blower starts by itself when the smoke has cleared."""
    after = step(state, happened, setpoints)
    blower = replace(after.state.blower, barred=False)
    return replace(after, state=replace(after.state, blower=blower))


def waits_before_switching_off(state: State, happened: Input, setpoints: Setpoints) -> Step:
    """The outcome of the last blower command comes first, whatever happens."""
    blower = replace(state.blower, announced=False)
    return step(replace(state, blower=blower), happened, setpoints)


def repeats_an_interrupted_pulse(state: State, happened: Input, setpoints: Setpoints) -> Step:
    """What was not reported is done again."""
    after, flight = step(state, happened, setpoints), state.pulsing.in_flight
    if not isinstance(happened, Restarted) or flight is None or flight.valve is None:
        return after
    index = setpoints.pulsing.order.index(flight.valve)
    pulsing = replace(after.state.pulsing, next_index=index)
    return replace(after, state=replace(after.state, pulsing=pulsing))


def believes_any_report(state: State, happened: Input, setpoints: Setpoints) -> Step:
    """Takes a late report for that of the command under way."""
    flight = state.pulsing.in_flight
    if isinstance(happened, OutputReported) and flight is not None:
        happened = replace(happened, command_id=flight.command_id)
    return step(state, happened, setpoints)


def promises_too_long(state: State, happened: Input, setpoints: Setpoints) -> Step:
    """Quiet without an end."""
    after = step(state, happened, setpoints)
    if after.state.quiet is None:
        return after
    quiet = replace(after.state.quiet, until_s=None)
    return replace(after, state=replace(after.state, quiet=quiet))


def asks_for_no_wake(state: State, happened: Input, setpoints: Setpoints) -> Step:
    """Waits for the next poll, whenever that may be."""
    return replace(step(state, happened, setpoints), wake_at_s=happened.at.mono_s)


def skips_a_number(state: State, happened: Input, setpoints: Setpoints) -> Step:
    """A gap in the numbers of the events."""
    after = step(state, happened, setpoints)
    return replace(after, state=replace(after.state, next_seq=after.state.next_seq + 1))


def changes_what_it_is_given(state: State, happened: Input, setpoints: Setpoints) -> Step:
    """Saves a copy."""
    after = step(state, happened, setpoints)
    object.__setattr__(state, "deadline_s", happened.at.mono_s)
    return after


def remembering() -> Decide:
    """A core that keeps something to itself between the calls."""
    calls = [0]

    def decide(state: State, happened: Input, setpoints: Setpoints) -> Step:
        calls[0] += 1
        after = step(state, happened, setpoints)
        return replace(after, state=replace(after.state, started_s=float(calls[0])))

    return decide


MUTANTS = [
    (starts_above_high_only, hysteresis),
    (clears_alarms_at_once, alarm_delays),
    (starts_without_all_off, safety),
    (forgets_the_interval, safety),
    (fires_two_at_once, safety),
    (ignores_smoke, safety),
    (pulses_without_proof_of_flow, safety),
    (takes_any_dp_for_flow, safety),
    (believes_any_report, safety),
    (ends_a_run_for_one_lost_reply, safety),
    (forgets_the_bar, safety),
    (waits_before_switching_off, blower_off_at_once),
    (asks_for_no_wake, safety),
    (skips_a_number, safety),
    (repeats_an_interrupted_pulse, no_pulse_twice),
    (promises_too_long, quiet),
    (changes_what_it_is_given, purity),
    (remembering(), purity),
]


@pytest.mark.parametrize("judge", CHECKS)
def test_the_real_core_passes(judge: Callable[[Decide], None]) -> None:
    judge(step)


@pytest.mark.parametrize(
    ("mutant", "judge"), MUTANTS, ids=[getattr(mutant, "__name__", "") for mutant, _ in MUTANTS]
)
def test_a_mutant_is_caught(mutant: Decide, judge: Callable[[Decide], None]) -> None:
    with pytest.raises((AssertionError, ExceptionGroup)):
        judge(mutant)
