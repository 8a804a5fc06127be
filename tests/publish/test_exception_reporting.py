"""A measurement is told when it is news, and now and then all the same."""

from dataclasses import replace

import pytest

from core.driver import FIRST_UTC_S
from dustcake.core.inputs import Contacts, Stamp
from dustcake.core.reading import Quality, Sample
from dustcake.core.state import State, first_state
from dustcake.publish.render import Deadbands, ExceptionReporter
from publish.histories import SETPOINTS

DEADBANDS = Deadbands(10.0, 10_000.0)
START = first_state(SETPOINTS[0], Stamp(0.0, FIRST_UTC_S))


def pressure(pa: float | None, quality: Quality = Quality.GOOD) -> Sample:
    return Sample(Stamp(0.0, FIRST_UTC_S), pa, quality)


BEFORE = replace(START, sample=pressure(500.0), header=pressure(600_000.0))
CHANGES: list[tuple[State, bool]] = [
    (BEFORE, False),
    (replace(BEFORE, sample=pressure(509.9)), False),
    (replace(BEFORE, sample=pressure(510.0)), True),
    (replace(BEFORE, sample=pressure(490.0)), True),
    (replace(BEFORE, sample=pressure(490.1)), False),
    (replace(BEFORE, sample=pressure(None)), True),
    (replace(BEFORE, sample=pressure(500.0, Quality.MAINTENANCE_REQUIRED)), True),
    (replace(BEFORE, header=pressure(609_999.0)), False),
    (replace(BEFORE, header=pressure(610_000.0)), True),
    (replace(BEFORE, header=pressure(600_000.0, Quality.FAILURE)), True),
    (replace(BEFORE, header=None), True),
    (replace(BEFORE, contacts=Contacts(smoke=True)), True),
    (replace(BEFORE, blower=replace(BEFORE.blower, running=True)), True),
]


@pytest.mark.parametrize(("after", "is_news"), CHANGES)
def test_what_is_news(after: State, is_news: bool) -> None:
    reporter = ExceptionReporter(10.0, DEADBANDS)
    assert reporter.is_due(BEFORE, 0.0), "the first of all"
    assert reporter.is_due(after, 1.0) is is_news
    assert not reporter.is_due(after, 2.0), "it has been told, or is too little"


def test_two_that_are_nothing_are_the_same() -> None:
    nothing = replace(START, sample=pressure(None), header=None)
    reporter = ExceptionReporter(10.0, DEADBANDS)
    assert reporter.is_due(nothing, 0.0)
    assert not reporter.is_due(nothing, 9.4)


def test_the_heartbeat_runs_from_the_last_one_told() -> None:
    reporter = ExceptionReporter(10.0, DEADBANDS)
    times = [t for t in range(31) if reporter.is_due(BEFORE, float(t))]
    assert times == [0, 10, 20, 30]
    changed = replace(BEFORE, sample=pressure(700.0))
    assert [t for t in range(35, 50) if reporter.is_due(changed, float(t))] == [35, 45]


def test_a_slow_drift_is_told_once_it_has_come_to_the_deadband() -> None:
    reporter = ExceptionReporter(1e6, DEADBANDS)
    states = [replace(BEFORE, sample=pressure(500.0 + step)) for step in range(100)]
    told = [step for step, state in enumerate(states) if reporter.is_due(state, float(step))]
    assert told == list(range(0, 100, 10))


def test_without_deadbands_only_the_heartbeat_and_quality_count() -> None:
    reporter = ExceptionReporter(10.0, None)
    assert reporter.is_due(BEFORE, 0.0)
    assert not reporter.is_due(replace(BEFORE, sample=pressure(5000.0)), 1.0)
    assert reporter.is_due(replace(BEFORE, sample=pressure(None, Quality.FAILURE)), 2.0)


def test_a_heartbeat_of_one_poll_comes_with_every_poll() -> None:
    reporter = ExceptionReporter(1.0, DEADBANDS)
    polls = [0.0, 1.004, 1.999, 3.003, 3.998]
    assert all(reporter.is_due(BEFORE, poll_s) for poll_s in polls)
