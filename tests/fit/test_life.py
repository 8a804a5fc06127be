"""Filter life in a study: a rise that is known is recovered, life agrees with a straight line, and
where a trace cannot say it says so."""

import re
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from dustcake.core.filter_life.forecast import CONFIDENCE
from dustcake_lab.fit.ageing import Ageing
from dustcake_lab.fit.collector import FittedCollector, fit_collector
from dustcake_lab.fit.estimate import Interval
from dustcake_lab.study.life import Hours, Life, left_pa, lives, longest
from dustcake_lab.study.recommendation import recommended
from dustcake_lab.study.results import HEADINGS, Order, as_json, table, table_json, table_lines
from dustcake_lab.study.study import Study, broken
from fit.independent import Collector, Truth
from fit.test_study import TODAY, done, on_demand, timed

TRUTH = Truth(step_s=20, gusts=0.1)
RISE_PA_PER_H = 0.25
HOURS = 16 * 24.0


@cache
def fitted(rise_pa_per_h: float, rise_pa_per_pulse: float) -> tuple[FittedCollector, Collector]:
    """Sixteen days without a stop, set points moved half-way: that must not look like ageing."""
    truth = replace(TRUTH, rise_pa_per_h=rise_pa_per_h, rise_pa_per_pulse=rise_pa_per_pulse)
    one = Collector(truth, 11)
    one.on_demand(8.0, 780.0, 1000.0)
    one.on_demand(16.0, 850.0, 1120.0)
    return fit_collector(*one.trace(), (1, 2, 3, 4)), one


def test_a_rise_with_running_hours_is_recovered() -> None:
    found, one = fitted(RISE_PA_PER_H, 0.0)
    assert isinstance(found.ageing, Ageing)
    rise = found.ageing.rise
    assert rise.low <= 1000.0 * RISE_PA_PER_H <= rise.high
    assert (rise.high - rise.low) / 2.0 < 0.15 * rise.value, "an interval so wide holds anything"
    assert found.residual.low <= one.residual_pa <= found.residual.high
    assert found.removed.low <= TRUTH.removed <= found.removed.high


def test_life_agrees_with_a_straight_line() -> None:
    """What rises evenly reaches the limit after (limit - residual) / rise."""
    found, one = fitted(RISE_PA_PER_H, 0.0)
    assert isinstance(found.ageing, Ageing)
    limit_pa = 850.0
    told = found.ageing.remaining(limit_pa)[0]
    remain_h = (limit_pa - one.residual_pa) / RISE_PA_PER_H
    assert told.low_h is not None
    assert told.low_h <= remain_h <= (told.high_h or told.horizon_h)
    assert told.low_h > remain_h / 4.0, "a range so wide holds anything"


def test_a_rise_with_pulses_is_recovered_as_one() -> None:
    found, one = fitted(0.0, 0.1)
    assert isinstance(found.ageing, Ageing)
    fit = np.polyfit(found.ageing.pulses, found.ageing.residual_pa, 1)
    assert fit[0] == pytest.approx(0.1, rel=0.1)
    assert found.ageing.now_pulses == len(one.trace()[1].pulses)
    assert found.ageing.proved


def test_weeks_without_a_rise_show_none() -> None:
    found, _ = fitted(0.0, 0.0)
    assert isinstance(found.ageing, Ageing)
    assert found.ageing.rise.low < 0.0 < found.ageing.rise.high
    told = lives(with_ageing(found.ageing))
    assert isinstance(told, str)
    assert "shows no rise of residual dP beyond its scatter" in told


def test_a_trace_of_days_refuses() -> None:
    one = Collector(Truth(rise_pa_per_h=1.0), 5)
    one.on_demand(1.5)
    found = fit_collector(*one.trace(), (1, 2, 3, 4))
    assert isinstance(found.ageing, str)
    assert "36 hours of running; 300 at least are needed" in found.ageing
    assert found.as_json()["ageing"] == {"not_told": found.ageing}
    study = with_ageing(found.ageing)
    made = recommended(study)
    assert made.lives == found.ageing
    assert "Filter life cannot be estimated from this trace: the trace covers" in " ".join(
        made.text
    )
    assert as_json(study, made)["filter_life"] == {"not_told": found.ageing}


def test_what_cleaning_leaves_when_it_goes_on_all_the_time() -> None:
    """Against the differential equation, without scatter: dP just before a pulse."""
    truth = replace(Truth(), scatter=1e-9, noise_pa=1e-9, removed=0.55)
    for interval_s in (60, 240):
        one = Collector(truth, 1)
        one.timed(0.5 if interval_s == 60 else 1.5, interval_s)
        one.run(interval_s)
        left = left_pa(truth.load_pa_per_s, truth.removed, truth.rows, interval_s)
        assert one.dp_pa - truth.residual_pa == pytest.approx(left, rel=0.02)


def straight(rise_pa_per_h: float = 0.1, pulses_per_h: float = 2.0) -> Ageing:
    """A trace of 2000 hours whose residual rises to 700 Pa with hardly any scatter."""
    hours = np.linspace(25.0, 1975.0, 40)
    scatter = 0.2 * np.random.default_rng(1).normal(size=40)
    return Ageing(
        hours,
        hours * pulses_per_h,
        700.0 - rise_pa_per_h * (2000.0 - hours) + scatter,
        2000.0,
        2000.0 * pulses_per_h,
        700.0,
        Interval(*(1000.0 * rise_pa_per_h * part for part in (1.0, 0.97, 1.03))),
    )


def with_ageing(ageing: Ageing | str) -> Study:
    study = done()
    return replace(study, collector=replace(study.collector, ageing=ageing))


def test_life_by_pulses_goes_with_how_often_a_setting_pulses() -> None:
    """Filters that age by pulses have so many left: hours are that over pulses an hour."""
    ageing = straight()
    study = with_ageing(ageing)
    found = lives(study)
    assert not isinstance(found, str)
    alike = [n for n, each in enumerate(study.candidates) if each.interval_s == 15.0]
    assert len({found[n].by_hours for n in alike}) == 1, "hours know nothing of settings"
    products = []
    for n in alike:
        pulses_per_h = np.mean([each.pulses for each in study.results[n]]) / 1000.0
        products.append(found[n].by_pulses.low_h * pulses_per_h)
    assert products == pytest.approx([products[0]] * len(alike))
    told = ageing.remaining(TODAY.limits.replacement_pa - 2.0)[1]
    assert told.low_h is not None
    assert products[0] == pytest.approx(told.low_h * ageing.pulses_per_h, rel=0.02)
    # A pulse of each row every eight hours leaves dust lying: these are due sooner by hours, too.
    assert found[study.candidates.index(timed(7200))].by_hours.low_h < found[0].by_hours.low_h


def test_either_belief_lies_within_the_range() -> None:
    life = Life(Hours(900.0, 2000.0), Hours(300.0, 1200.0))
    assert life.either == Hours(300.0, 2000.0)
    assert str(life.either) == "300 to 2000"
    assert str(Life(Hours(912.0, None), Hours(1300.0, 1600.0)).either) == "more than 910"


def test_between_equals_life_decides_and_then_pulses() -> None:
    def life(low_h: float) -> Life:
        return Life(Hours(low_h, None), Hours(2.0 * low_h, None))

    assert longest([0, 1, 2], [life(1000.0), life(980.0), life(700.0)]) == [0, 1]
    assert longest([0, 2], "nothing is known") == [0, 2]
    # As good as each other by energy: the one that pulses its filters to death loses.
    study = with_ageing(straight())
    results = [
        [replace(each, fan_kwh=1000.0 if n else 2000.0, air_kwh=0.0) for each in row]
        for n, row in enumerate(study.results)
    ]
    equal = replace(study, results=results)
    made = recommended(equal)
    assert made.best is not None
    assert not isinstance(made.lives, str)
    most_h = max(made.lives[n].either.low_h for n in made.good)
    assert made.lives[made.best].either.low_h >= 0.95 * most_h
    assert len(made.good) > 1


def test_words_and_json_tell_both_beliefs() -> None:
    study = with_ageing(straight())
    made = recommended(study)
    text = " ".join(made.text)
    assert re.search(r"Filter life with today's settings: (more than )?\d+.*? blower hours", text)
    assert f"{CONFIDENCE * 100:.0f} % confidence" in text
    assert "700 Pa and rises by 100 Pa (97 to 103) in 1000 hours" in text
    assert "cannot distinguish" in text
    assert made.best is not None
    assert not isinstance(made.lives, str)
    sooner = made.lives[made.best].either.low_h < 0.95 * made.lives[0].either.low_h
    assert ("may be due sooner than today" in text) is sooner
    told = as_json(study, made)["filter_life"]
    assert told["confidence"] == CONFIDENCE
    assert told["limit_pa"] == TODAY.limits.replacement_pa
    assert told["today"]["low_h"] == min(
        told["today"]["by_hours_low_h"], told["today"]["by_pulses_low_h"]
    )


def test_filters_that_are_due() -> None:
    told = lives(with_ageing(replace(straight(), now_pa=TODAY.limits.replacement_pa + 1.0)))
    assert isinstance(told, str)
    assert "the filters are due" in told


@pytest.mark.parametrize("order", list(Order))
def test_the_table_is_sorted_and_keeps_the_limits(order: Order) -> None:
    study = with_ageing(straight())
    made = recommended(study)
    rows = table(study, made, order)
    assert rows[0].remark.startswith("today")
    assert all(not broken(study, row.index) for row in rows[1:])
    keys = [
        {
            Order.ENERGY: row.mean.kwh,
            Order.LIFE: 0.0 if row.life is None else -row.life.either.low_h,
            Order.PULSES: row.mean.pulses,
            Order.DP: row.mean.mean_dp_pa,
        }[order]
        for row in rows[1:]
    ]
    assert keys == sorted(keys)
    assert len(keys) > 1
    lines = list(table_lines(rows))
    assert lines[0].split("  ")[0] == HEADINGS[0]
    assert len(lines) == len(rows) + 1
    assert table_json(study, rows)[0]["filter_life"] is not None
    few = table(study, made, order, 1)
    assert len(few) in (2, 3)
    assert few[1] == rows[1]
    assert made.best in [row.index for row in few]


def test_the_table_without_life() -> None:
    study = done()
    rows = table(study, recommended(study), Order.LIFE)
    assert all("not known" in line for line in list(table_lines(rows))[1:])
    assert on_demand(700, 850) in [study.candidates[row.index] for row in rows]
