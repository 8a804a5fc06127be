"""The promise that nothing will happen: held in every history, and worth having."""

from collections import Counter
from dataclasses import replace
from math import inf, nextafter
from random import Random
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from core.driver import LOST, Collector, ContactChanges, chosen, ready, running, with_header
from core.traces import (
    AT_REST,
    IN_ORDER,
    SEEDS,
    Move,
    Script,
    Taken,
    again,
    loud,
    play,
    scripts,
    setpoints,
)
from dustcake.core.inputs import Measured, PollCompleted, Signal, Stamp, Woke
from dustcake.core.reading import Quality
from dustcake.core.reasons import Because
from dustcake.core.requests.kinds import ChangeSetPoints, ConfirmChange, Mode
from dustcake.core.setpoints import Setpoints
from dustcake.core.state import Quiet
from dustcake.core.step import Step, keep, step
from dustcake_lab.traces.leap import Brief, brief
from examples import explore


def is_same(short: Step, long: Step) -> bool:
    """All that anybody can see of a step."""
    return (
        short.events == long.events
        and short.commands == long.commands
        and short.wake_at_s == long.wake_at_s
        and replace(short.state, quiet=None) == replace(long.state, quiet=None)
    )


def test_the_short_way_comes_to_the_same_as_the_long_one() -> None:
    seen: Counter[str] = Counter()

    @given(scripts(), setpoints())
    def every_history(script: Script, chosen: Setpoints) -> None:
        history = play(script, chosen)
        for taken, long in zip(history, again(history, loud), strict=True):
            assert is_same(taken.after, long)
            if taken.before.quiet is not None and taken.before.quiet is taken.after.state.quiet:
                seen["took the short way"] += 1
            elif taken.before.quiet is not None:
                seen["promise ended"] += 1

    explore(every_history, 100, seen, {"took the short way": 1000, "promise ended": 1000})


def adjusted(collector: Collector) -> None:
    """Somebody has changed both set points: what the settings say is not in force."""
    collector.poll(800.0)
    change = collector.ask(ChangeSetPoints(low_pa=800.0, high_pa=900.0)).change
    if change is not None:
        collector.ask(ConfirmChange(change))


def wandering(seed: int) -> Script:
    """dP that goes up and down between the limits, now and then by more than filters can, and rests
    now and then for as long as the zero is looked at."""
    chance = Random(seed)
    script: list[Move] = [adjusted] if chance.random() < 0.5 else []

    def read(pa: float, contacts: ContactChanges) -> Move:
        return lambda collector: collector.poll(Measured(pa), **contacts)

    pa = 800.0
    for _ in range(chance.randint(1, 4)):
        for _ in range(chance.randint(20, 80)):
            step_pa = 300.0 if chance.random() < 0.02 else 60.0
            pa = min(980.0, max(200.0, pa + chance.uniform(-step_pa, step_pa)))
            script.append(read(pa, IN_ORDER))
        rest = [read(chance.gauss(0.0, 0.5), AT_REST) for _ in range(chance.randint(5, 30))]
        script += rest if chance.random() < 0.5 else []
    return tuple(script)


def test_a_reading_of_which_something_is_remembered_takes_the_long_way() -> None:
    """Checks whether they move, the band that shows jumps, the zero at rest."""
    seen: Counter[str] = Counter()

    @given(st.builds(wandering, SEEDS), setpoints())
    def every_history(script: Script, chosen: Setpoints) -> None:
        history = play(script, chosen)
        for taken, long in zip(history, again(history, loud), strict=True):
            assert is_same(taken.after, long)
            if not isinstance(taken.happened, PollCompleted):
                continue
            before, after = taken.before.signal_validation, taken.after.state.signal_validation
            if before is not after:
                assert keep(taken.before, taken.happened, taken.setpoints) is None
                seen["frozen"] += before.frozen != after.frozen
                seen["band"] += before.anchor_pa != after.anchor_pa
                seen["excursion ended"] += before.excursion is not None and after.excursion is None
                seen["zero"] += before.zero_check != after.zero_check
            seen["doubted"] += before.doubts != after.doubts
            points = taken.before.set_point_overrides.points
            seen["cleaning, adjusted"] += (
                bool(points) and taken.after.state.decision.kind is not None
            )

    cells = ("frozen", "band", "excursion ended", "zero", "doubted", "cleaning, adjusted")
    explore(every_history, 100, seen, dict.fromkeys(cells, 15))


def test_nor_does_it_miss_anything_when_nobody_wakes_the_core() -> None:
    """As in a replay, where nothing happens between two rows of a trace."""
    seen: Counter[str] = Counter()

    @given(scripts(), setpoints())
    def every_history(script: Script, chosen: Setpoints) -> None:
        history = [t for t in play(script, chosen) if not isinstance(t.happened, Woke)]
        for short, long in zip(again(history, step), again(history, loud), strict=True):
            assert is_same(short, long)
            seen["events"] += len(short.events)

    explore(every_history, 100, seen, {"events": 1000})


def edges(taken: Taken, quiet: Quiet) -> list[PollCompleted]:
    """Polls in the corners of what a promise covers: dP and header at its bounds, early, late."""
    now_s, header = taken.happened.at.mono_s, taken.after.state.header
    until_s = now_s + 3600.0 if quiet.until_s is None else nextafter(quiet.until_s, -inf)
    low_pa = -31.0 if quiet.low_pa is None else nextafter(quiet.low_pa, inf)
    high_pa = 2570.0 if quiet.high_pa is None else nextafter(quiet.high_pa, -inf)
    utc_s = taken.after.state.sample.at.utc_s  # the clock is set as it was
    offset_pa = taken.after.state.zero.offset_pa
    contacts = taken.after.state.contacts
    headers: list[Signal | None] = [None]
    if header is not None:
        low = -12_000.0 if quiet.header_low_pa is None else nextafter(quiet.header_low_pa, inf)
        high = 1e6 if quiet.header_high_pa is None else nextafter(quiet.header_high_pa, -inf)
        headers = [Measured(low), Measured(high)]
    return [
        PollCompleted(Stamp(at_s, utc_s), Measured(dp_pa + offset_pa), contacts, header_signal)
        for at_s in (now_s, until_s)
        for dp_pa in (low_pa, high_pa)
        for header_signal in headers
    ]


def test_what_is_promised_holds_up_to_its_very_edges() -> None:
    seen: Counter[str] = Counter()

    @given(scripts(longest=10), setpoints())
    def every_history(script: Script, chosen: Setpoints) -> None:
        for taken in play(script, chosen):
            state, quiet = taken.after.state, taken.after.state.quiet
            if quiet is None or taken.before.quiet is quiet:
                continue
            for poll in edges(taken, quiet):
                after = loud(state, poll, taken.setpoints)
                sample = after.state.sample
                if sample.quality is not Quality.GOOD or sample.pa is None:
                    continue
                # Taking the zero off may round the value onto the bound itself.
                if not (quiet.low_pa or -inf) < sample.pa < (quiet.high_pa or inf):
                    continue
                seen["edge"] += 1
                assert (after.events, after.commands) == ((), ())
                assert after.state.decision == state.decision
                assert after.state.deadline_s == state.deadline_s

    explore(every_history, 100, seen, {"edge": 1000})


def test_a_promise_in_normal_operation() -> None:
    collector = ready().hold(800.0, 2)
    assert collector.last.state.quiet == Quiet(135.0, 1000.0, None, None, None)


def test_the_low_set_point_bounds_a_promise_only_while_something_depends_on_it() -> None:
    collector = ready().hold(1100.0, 2).hold(900.0, 2)
    assert collector.last.state.quiet is not None
    assert collector.last.state.quiet.low_pa == 750.0
    collector.hold(740.0, 2).hold(800.0, 2)
    assert collector.last.state.quiet is not None
    assert collector.last.state.quiet.low_pa == 135.0


def test_the_high_set_point_bounds_no_promise_while_a_run_goes_down_to_the_low_one() -> None:
    collector = ready(chosen(cleaning={"finish_cycle": True})).hold(1100.0, 2)
    assert collector.is_cleaning()
    promised = collector.last.state.quiet
    assert promised is not None
    assert (promised.low_pa, promised.high_pa) == (750.0, 1190.0)
    collector.hold(990.0, 1).hold(1010.0, 1)
    assert collector.last.state.quiet is promised
    collector.hold(740.0, 1)
    assert collector.because is Because.FINISHING_CYCLE
    assert collector.hold(800.0, 1).last.state.quiet is not None
    assert collector.last.state.quiet.high_pa == 1000.0


def test_a_promise_ends_at_the_next_deadline() -> None:
    collector = ready(chosen(cleaning={"on_delay_s": 20.0})).hold(1100.0, 2)
    assert collector.last.state.quiet == Quiet(1000.0, 1190.0, None, None, collector.t + 19.0)


def test_a_header_has_its_own_bounds() -> None:
    collector = ready(with_header()).hold(800.0, 2)
    assert collector.last.state.quiet == Quiet(135.0, 1000.0, 408_000.0, 800_000.0, None)


@pytest.mark.parametrize("dp", [135.0, 1000.0, LOST, 2600.0])
def test_no_promise_on_a_threshold_or_without_a_good_reading(dp: float | Signal) -> None:
    assert ready(chosen(cleaning={"on_delay_s": 20.0})).hold(dp, 1).last.state.quiet is None


@pytest.mark.parametrize("signal", [None, LOST, Measured(400_000.0), Measured(1.2e6)])
def test_no_promise_without_a_good_header_reading(signal: Signal | None) -> None:
    collector = ready(with_header()).hold(800.0, 2)
    collector.header = signal
    assert collector.hold(800.0, 3).last.state.quiet is None


@pytest.mark.parametrize("pa", [410_000.0, 790_000.0])
def test_a_header_inside_its_bounds_keeps_the_promise(pa: float) -> None:
    collector = ready(with_header()).hold(800.0, 2)
    promised = collector.last.state.quiet
    collector.header = Measured(pa)
    assert collector.hold(800.0, 3).last.state.quiet is promised
    assert collector.state.header is not None
    assert collector.state.header.pa == pa


@pytest.mark.parametrize("pa", [300_000.0, 900_000.0])
def test_a_header_that_leaves_its_bounds_ends_the_promise(pa: float) -> None:
    collector = ready(with_header()).hold(800.0, 2)
    promised = collector.last.state.quiet
    collector.header = Measured(pa)
    assert collector.hold(800.0, 1).last.state.quiet is not promised


def test_other_contacts_end_the_promise() -> None:
    collector: Collector = running().hold(800.0, 2)
    promised = collector.last.state.quiet
    assert promised is not None
    assert collector.hold(800.0, 1, door_open=True).last.state.quiet is not promised


def test_over_the_high_set_point_and_back_within_the_on_delay_is_brief() -> None:
    delayed = chosen(cleaning={"on_delay_s": 20.0})
    collector = ready(delayed).hold(800.0, 2)
    assert brief(collector.state, delayed) == Brief(1190.0, 20.0)
    before = collector.state
    collector.hold(1100.0, 19).hold(800.0, 1)
    assert collector.last.events == ()
    assert replace(collector.state, sample=before.sample) == before
    assert collector.hold(1100.0, 21).is_cleaning()


@pytest.mark.parametrize(
    ("changes", "dp_pa"),
    [
        ({"cleaning": {"on_delay_s": 0.0}}, 800.0),
        ({"cleaning": {"mode": Mode.TIMED, "on_delay_s": 20.0}}, 800.0),
        ({"cleaning": {"on_delay_s": 20.0}}, 1100.0),
        ({"cleaning": {"on_delay_s": 20.0}}, 1000.0),
        ({"cleaning": {"on_delay_s": 20.0}, "limits": {"high_pa": 1000.0}}, 980.0),
    ],
    ids=["without a delay", "timed", "over it", "no promise", "another limit there"],
)
def test_where_nothing_is_brief(changes: dict[str, Any], dp_pa: float) -> None:
    setpoints = chosen(**changes)
    assert brief(ready(setpoints).hold(dp_pa, 2).state, setpoints) is None
