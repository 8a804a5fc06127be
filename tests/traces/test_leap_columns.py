"""Leaps over whole columns of samples, for random traces and settings: proved to come to the same
events in the same order, the same summary and the same last state as stepping every sample."""

from collections import Counter, deque
from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise
from random import Random

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from core.traces import AT_LIMITS, BETWEEN, SEEDS, setpoints
from dustcake.core.events import Event
from dustcake.core.inputs import (
    Contacts,
    Input,
    Measured,
    Outcome,
    OutputReported,
    PollCompleted,
    Restarted,
    Stamp,
    Woke,
)
from dustcake.core.reasons import Because
from dustcake.core.setpoints import Setpoints
from dustcake.core.state import State, first_state
from dustcake.core.step import step
from dustcake_lab.replay.replay import Replay, Tally, for_a_trace
from dustcake_lab.traces.samples import Columns
from examples import examples, explore


class EveryStep:
    """The plainest replayer there is; the core's own short way is closed too."""

    def __init__(self, setpoints: Setpoints) -> None:
        setpoints = for_a_trace(setpoints)
        self.tally = Tally()
        self.state: State = first_state(setpoints, Stamp(0.0, None))
        self._wake_at_s: float | None = None
        self._setpoints = setpoints

    def events(self, polls: list[PollCompleted]) -> Iterator[Event]:
        before_s = polls[0].at.mono_s
        self.tally.first_utc_s = polls[0].at.utc_s
        yield from self._take(Restarted(polls[0].at))
        for poll in polls:
            now_s = poll.at.mono_s
            while self._wake_at_s is not None and self._wake_at_s < now_s:
                start_s = polls[0].at.utc_s
                utc_s = None if start_s is None else start_s + self._wake_at_s
                yield from self._take(Woke(Stamp(self._wake_at_s, utc_s)))
            self.tally.samples += 1
            self.tally.lost += type(poll.dp) is not Measured
            self.tally.gaps += now_s > before_s + self._setpoints.stale_after_s
            before_s = now_s
            yield from self._take(poll)
        self.tally.end(polls[-1].at)

    def _take(self, happened: Input) -> Iterator[Event]:
        waiting: deque[Input] = deque([happened])
        while waiting:
            done = step(replace(self.state, quiet=None), waiting.popleft(), self._setpoints)
            self.state, self._wake_at_s = done.state, done.wake_at_s
            for event in done.events:
                self.tally.count(event)
                yield event
            waiting.extend(
                OutputReported(happened.at, command.command_id, Outcome.DONE)
                for command in done.commands
            )


def some_columns(seed: int, header: bool) -> Columns:
    """Stretches that drift, ripple, jump onto limits, get lost and pause; contacts that change."""
    random = Random(seed)
    dp: list[float] = []
    apart: list[float] = []
    headers: list[float] = []
    kind: list[int] = []
    kinds = [Contacts(*(random.choice((True, False, None)) for _ in range(5))) for _ in range(4)]
    kinds[0] = Contacts(True, False, False, True, False)
    for _ in range(random.randint(1, 14)):
        rows = random.choice((1, 2, 3, 20, 200, 600))
        begin = random.choice(BETWEEN)
        to = random.choice((begin, begin, random.choice(BETWEEN)))
        ripple = random.choice((0.0, 0.3, 0.5, 20.0))
        values = [
            begin + (to - begin) * n / rows + ripple * random.uniform(-1, 1) for n in range(rows)
        ]
        for _ in range(random.choice((0, 0, 1, 3))):
            odd = (random.choice(AT_LIMITS), float("nan"), -31.3, 2600.0)
            values[random.randrange(rows)] = random.choice(odd)
        dp += values
        apart += [random.choice((0.5, 1.0, 1.0, 1.0, 7.0, 40.0))] + [1.0] * (rows - 1)
        pressure = random.choice((600e3, 600e3, 404e3, 300e3, 900e3, float("nan")))
        headers += [pressure + random.uniform(-3e3, 3e3) for _ in range(rows)]
        kind += [random.choice((0, 0, 0, 1, 2, 3))] * rows
    return Columns(
        t_s=np.cumsum(apart) - apart[0],
        start_utc_s=random.choice((None, 1.7e9)),
        dp_pa=np.array(dp),
        header_pa=np.array(headers) if header else None,
        kinds=kinds,
        kind=np.array(kind),
    )


def split(columns: Columns, seed: int) -> list[Columns]:
    """The same samples in pieces, as from a file too large to be read at once."""
    random = Random(seed)
    cuts = sorted(random.randint(0, len(columns)) for _ in range(random.choice((0, 1, 3))))
    edges = [0, *cuts, len(columns)]
    return [
        Columns(
            columns.t_s[a:b],
            columns.start_utc_s,
            columns.dp_pa[a:b],
            None if columns.header_pa is None else columns.header_pa[a:b],
            None,
            columns.kinds,
            None if columns.kind is None else columns.kind[a:b],
        )
        for a, b in pairwise(edges)
    ]


reached: Counter[str] = Counter()


class Counting(Replay):
    """Counts the samples it takes as steps."""

    def _take(self, poll: PollCompleted) -> list[Event]:
        reached["leapt over"] -= 1
        return super()._take(poll)

    def _land(self) -> list[Event]:
        before, leapt = self.state.signal_validation.frozen, self._leapt_to is not None
        events = super()._land()
        after = self.state.signal_validation.frozen
        reached["frozen"] += any(
            d.reason.code is Because.FROZEN for d in self.state.signal_validation.doubts
        )
        if leapt and before is not None and after is not None and after.same:
            reached["checks that find it frozen"] += 1
        return events


@given(SEEDS, setpoints())
def _same(seed: int, chosen: Setpoints) -> None:
    columns = some_columns(seed, chosen.header is not None)
    replay, plain = Counting(chosen), EveryStep(chosen)
    leapt = list(replay.events(split(columns, seed)))
    stepped = list(plain.events([columns.poll(row) for row in range(len(columns))]))
    assert leapt == stepped
    assert replay.tally == plain.tally
    assert replace(replay.state, quiet=None) == replace(plain.state, quiet=None)
    reached["leapt over"] += len(columns)
    reached["with header"] += chosen.header is not None
    reached["pulses"] += replay.tally.pulses.total()
    reached["gaps"] += replay.tally.gaps
    reached["lost"] += replay.tally.lost


def test_leaps_come_to_the_same_as_stepping_every_sample_to_the_bit() -> None:
    reached.clear()
    often = ("pulses", "gaps", "lost", "checks that find it frozen", "frozen")
    explore(
        _same, 60, reached, {"leapt over": 20_000, "with header": 10} | dict.fromkeys(often, 50)
    )


@given(st.lists(st.floats(-1, 1), max_size=400), st.integers(0, 400), st.integers(1, 400))
@examples(100)
def test_the_search_in_growing_blocks_finds_what_a_plain_one_finds(
    values: list[float], begin: int, every: int
) -> None:
    from dustcake_lab.traces.samples import _first_outside

    inside = np.tile(np.array(values or [0.0]), every)
    end = len(inside)
    begin = min(begin, end)
    plain = next((n for n in range(begin, end) if not -0.5 < inside[n] < 0.5), end)
    assert _first_outside(inside, -0.5, 0.5, begin, end) == plain
