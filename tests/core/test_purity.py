"""``step`` is a function of its arguments, and of nothing else."""

from collections import Counter
from copy import deepcopy
from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from core.driver import BASE, Collector, ready
from core.traces import Decide, Script, again, play, scripts, setpoints
from dustcake.codec import STATE_FORMAT, decode_state, encode_state
from dustcake.core.apply_input import APPLY
from dustcake.core.commands import FireValve
from dustcake.core.events import CleaningStopped
from dustcake.core.inputs import Input, Stamp, Woke
from dustcake.core.setpoints import Setpoints
from dustcake.core.state import first_state
from dustcake.core.step import PARTS, step
from examples import explore


def test_every_kind_of_input_is_taken_in() -> None:
    assert set(APPLY) == set(get_args(Input))


def test_every_part_of_a_step_comes_after_those_it_builds_on() -> None:
    earlier: set[str] = set()
    for part in PARTS:
        assert earlier.issuperset(part.after), part.name
        assert part.name not in earlier, part.name
        earlier.add(part.name)


def leaves_alone_what_it_is_given(script: Script, chosen: Setpoints, decide: Decide) -> None:
    """Nothing given is changed; the same arguments give the same result, in any order of calls."""
    history = play(script, chosen, decide)
    for taken in reversed(history):
        given_before = deepcopy((taken.before, taken.happened, taken.setpoints))
        after = decide(taken.before, taken.happened, taken.setpoints)
        assert (taken.before, taken.happened, taken.setpoints) == given_before
        assert after == taken.after


@given(scripts(longest=10), setpoints())
def test_a_step_depends_on_its_arguments_alone_and_leaves_them_alone(
    script: Script, chosen: Setpoints
) -> None:
    leaves_alone_what_it_is_given(script, chosen, step)


@given(scripts(), setpoints(), st.floats(0, 1))
def test_a_state_that_was_stored_has_the_same_future(
    script: Script, chosen: Setpoints, part: float
) -> None:
    history = play(script, chosen)
    rest = history[round(part * (len(history) - 1)) :]
    stored = encode_state(rest[0].before)
    restored = decode_state(stored, STATE_FORMAT)
    assert restored == rest[0].before
    assert again(rest, step, restored) == [taken.after for taken in rest]


def test_waking_again_at_once_changes_nothing() -> None:
    """A wake-up leads to what is due, and a second one at the same instant to nothing more. Only
    where the first ended a run, the second may begin the one that dP calls for; and where it fired
    the last pulse of a run, the second ends that run."""
    seen: Counter[str] = Counter()

    @given(scripts(), setpoints())
    def every_history(script: Script, chosen: Setpoints) -> None:
        for taken in play(script, chosen):
            woke = Woke(taken.happened.at)
            first = step(taken.after.state, woke, taken.setpoints)
            second = step(first.state, woke, taken.setpoints)
            if any(isinstance(event.body, CleaningStopped) for event in first.events) or any(
                isinstance(command, FireValve) for command in first.commands
            ):
                second = step(second.state, woke, taken.setpoints)
            third = step(second.state, woke, taken.setpoints)
            assert (second.events, second.commands) == ((), ())
            assert third == second
            seen["still to do"] += first != taken.after

    explore(every_history, 100, seen, {"still to do": 1000})


def test_waking_when_asked_to_always_gets_on() -> None:
    """Left alone, a collector does not spin: wakes are few, and each later than the last."""
    seen: Counter[str] = Counter()

    @given(scripts(longest=12), setpoints())
    def every_history(script: Script, chosen: Setpoints) -> None:
        taken = play(script, chosen)[-1]
        state, wake_at_s, now_s = taken.after.state, taken.after.wake_at_s, taken.happened.at.mono_s
        for _ in range(60):
            if wake_at_s is None or wake_at_s > now_s + 3600.0:
                seen["came to rest"] += 1
                return
            assert wake_at_s > now_s
            now_s = wake_at_s
            after = step(state, Woke(Stamp(now_s, None)), taken.setpoints)
            state, wake_at_s = after.state, after.wake_at_s
            seen["woke"] += 1

    explore(every_history, 100, seen, {"came to rest": 20, "woke": 500})


def test_collectors_do_not_know_of_each_other() -> None:
    alone = ready().hold(1100.0, 40)
    one, other = Collector(BASE), Collector(BASE)
    for _ in range(11):
        other.poll(1600.0)
        one.poll(800.0)
    for _ in range(40):
        other.poll(600.0)
        one.poll(1100.0)
    assert one.log == alone.log
    assert one.state == alone.state


@pytest.mark.parametrize("mono_s", [0.0, 1e9])
def test_a_first_state_fires_nothing_before_it_is_started(mono_s: float) -> None:
    state = first_state(BASE, Stamp(mono_s, None))
    after = step(state, Woke(Stamp(mono_s + 3600.0, None)), BASE)
    assert after.commands == ()
