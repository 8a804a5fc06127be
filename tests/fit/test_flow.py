"""Flow that a trace tells badly, or not at all, is said to be not measured; it stops no fit."""

import warnings
from dataclasses import replace

import numpy as np
import pytest

from core.driver import BASE
from dustcake.core.inputs import Contacts, Measured, PollCompleted, Stamp
from dustcake_lab.fit.collector import FittedCollector, fit_collector
from dustcake_lab.fit.data import Samples, gather
from dustcake_lab.traces.samples import Columns, Floats
from fit.independent import Collector, Truth


@pytest.fixture(scope="module")
def lived() -> Collector:
    collector = Collector(Truth(step_s=4), 7)
    collector.on_demand(1.2)
    return collector


def with_flow(lived: Collector, flow_m3s: Floats) -> FittedCollector:
    samples, recorded = lived.trace()
    columns = Columns(samples.t_s, 0.0, samples.dp_pa, flow_m3s=flow_m3s)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        return fit_collector(gather([columns], BASE), recorded, (1, 2, 3, 4))


@pytest.mark.parametrize("reading", [np.nan, 0.0, -1.0])
def test_a_column_that_tells_no_flow(lived: Collector, reading: float) -> None:
    size = len(lived.trace()[0].t_s)
    found = with_flow(lived, np.full(size, reading))
    assert found.flow_m3s is None
    assert found.notes == (
        "the column `flow_m3s` is above 0 in only 0 % of the rows with the blower running: flow is "
        "taken as not measured",
    )
    assert found.load.low < lived.truth.load_pa_per_s < found.load.high


def test_flow_that_is_lost_for_some_hours(lived: Collector) -> None:
    flow_m3s = np.full(len(lived.trace()[0].t_s), lived.truth.flow_m3s)
    flow_m3s[2000:6000] = np.nan
    flow_m3s[9000:9500] = 0.0
    found = with_flow(lived, flow_m3s)
    assert found.flow_m3s == pytest.approx(lived.truth.flow_m3s)
    assert found.notes == ()
    assert found.load.low < lived.truth.load_pa_per_s < found.load.high


def test_polls_one_by_one_as_a_journal_has_them_tell_no_flow() -> None:
    polls = [PollCompleted(Stamp(float(n), None), Measured(800.0), Contacts()) for n in range(3)]
    assert read(polls).flow_m3s is None
    assert read(polls).notes == ()


def test_a_poll_among_columns_loses_its_own_flow_only() -> None:
    setpoints = replace(BASE, fitted=replace(BASE.fitted, blower_running=False))
    columns = Columns(np.arange(3.0), None, np.full(3, 800.0), flow_m3s=np.full(3, 1.2))
    poll = PollCompleted(Stamp(3.0, None), Measured(800.0), Contacts())
    flow_m3s = gather([columns, poll], setpoints).flow_m3s
    assert flow_m3s is not None
    np.testing.assert_array_equal(flow_m3s, [1.2, 1.2, 1.2, np.nan])


def read(polls: list[PollCompleted]) -> Samples:
    return gather(polls, replace(BASE, fitted=replace(BASE.fitted, blower_running=False)))
