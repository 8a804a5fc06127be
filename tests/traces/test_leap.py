"""The replayer leaps over polls that the core promises to do nothing about: proved here to come
to the same as taking every step."""

from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise

from hypothesis import example, given
from hypothesis import strategies as st

from core.driver import BASE, chosen
from dustcake.core.events import Event
from dustcake.core.inputs import (
    Contacts,
    FailureKind,
    Input,
    Measured,
    Outcome,
    OutputReported,
    PollCompleted,
    ReadFailure,
    Restarted,
    Signal,
    Stamp,
    Woke,
)
from dustcake.core.setpoints import Setpoints
from dustcake.core.state import first_state
from dustcake.core.step import Step, step
from dustcake_lab.replay.replay import Replay, for_a_trace
from dustcake_lab.traces.rows import Trace
from examples import explore

LOST = ReadFailure(FailureKind.MISSING, "no value in the trace")
DELAYED = chosen(
    alarms=tuple(replace(each, on_delay_s=3.0, off_delay_s=2.0) for each in BASE.alarms),
    cleaning={"on_delay_s": 2.0, "max_cycles": 1, "rest_s": 20.0},
    fitted={"smoke": True},
)
# A transmitter that measures less than the limits reach: between two limits it fails to measure.
NARROW = chosen(DELAYED, dp={"span_low_pa": 70.0, "span_high_pa": 1300.0})


def taken_step_by_step(polls: list[PollCompleted], setpoints: Setpoints) -> Iterator[Event]:
    """The plainest replayer there is; the core's own short way is closed too."""
    setpoints = for_a_trace(setpoints)
    state = first_state(setpoints, polls[0].at)
    wake_at_s: float | None = None

    def take(happened: Input) -> Iterator[Event]:
        nonlocal state, wake_at_s
        waiting: list[Input] = [happened]
        while waiting:
            done: Step = step(replace(state, quiet=None), waiting.pop(0), setpoints)
            state, wake_at_s = done.state, done.wake_at_s
            yield from done.events
            waiting += [
                OutputReported(happened.at, command.command_id, Outcome.DONE)
                for command in done.commands
            ]

    yield from take(Restarted(polls[0].at))
    for poll in polls:
        while wake_at_s is not None and wake_at_s < poll.at.mono_s:
            yield from take(Woke(Stamp(wake_at_s, None)))
        yield from take(poll)


NOTABLE_PA = [-200.0, 10.0, 50.0, 75.0, 135.0, 750.0, 1000.0, 1250.0, 1500.0, 2400.0, 2700.0]
STRETCHES = st.lists(
    st.tuples(
        st.one_of(
            st.floats(-300, 2800).map(Measured),
            st.sampled_from(
                [-200.0, 10.0, 50.0, 75.0, 135.0, 750.0, 1000.0, 1250.0, 1500.0, 2400.0, 2700.0]
            ).map(Measured),
            st.just(LOST),
        ),
        st.sampled_from([1, 2, 10, 60]),  # rows
        st.sampled_from([0.5, 1.0, 1.0, 4.0, 5.0, 5.5, 40.0]),  # seconds apart
        st.sampled_from([False, False, False, True, None]),  # smoke
    ),
    min_size=1,
    max_size=12,
)

leapt: Counter[str] = Counter()


def polls_of(stretches: list[tuple[Signal, int, float, bool | None]]) -> list[PollCompleted]:
    polls, t_s, contacts = [], 0.0, Contacts(smoke=False)
    for signal, rows, apart_s, smoke in stretches:
        if smoke is not contacts.smoke:
            contacts = Contacts(smoke=smoke)
        for _ in range(rows):
            polls.append(PollCompleted(Stamp(t_s, None), signal, contacts))
            t_s += apart_s
    return polls


class Counting(Replay):
    """Counts the polls it takes as steps."""

    taken = 0

    def _happens(self, happened: Input) -> list[Event]:
        self.taken += isinstance(happened, PollCompleted)
        return super()._happens(happened)


@given(STRETCHES, st.sampled_from([BASE, DELAYED, NARROW]))
@example([(Measured(pa), 9, 1.0, False) for pa in (72.0, 52.0, 1290.0, 1400.0)], NARROW)
def _same(stretches: list[tuple[Signal, int, float, bool | None]], setpoints: Setpoints) -> None:
    polls = polls_of(stretches)
    replay = Counting(setpoints)
    # With what a trace cannot tell switched off, as the replay does.
    assert list(replay.events(polls)) == list(taken_step_by_step(polls, replay._setpoints))
    assert replay.tally.samples == len(polls)
    assert replay.tally.duration_s == polls[-1].at.mono_s
    leapt["polls"] += len(polls) - replay.taken


def test_leaping_comes_to_the_same_as_taking_every_step() -> None:
    leapt.clear()
    explore(_same, 120, leapt, {"polls": 800})


def test_contacts_that_do_not_change_are_one_object_so_that_they_need_not_be_compared() -> None:
    """The leap rests on it: polls with other contacts are not leapt over."""
    lines = ["time,dp_pa,smoke", "0,800,0", "1,800,0", "2,800,1", "3,800,1", "4,800,0"]
    polls = [poll for poll in Trace(lines).samples() if isinstance(poll, PollCompleted)]
    shared = [a.contacts is b.contacts for a, b in pairwise(polls)]
    assert shared == [True, False, True, False]
    assert [poll.contacts.smoke for poll in polls] == [False, False, True, True, False]


def test_a_trace_without_polls_is_a_replay_without_events() -> None:
    replay = Replay(BASE)
    assert list(replay.events([])) == []
    assert replay.tally.samples == 0
