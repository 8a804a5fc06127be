"""A study says what is better, within what, and what it is worth; or that it cannot."""

import json
import re
from dataclasses import replace
from functools import cache
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from core.driver import chosen
from dustcake.__main__ import main
from dustcake.core.requests.kinds import Mode
from dustcake.core.setpoints import Air
from dustcake_lab.fit.collector import FittedCollector
from dustcake_lab.fit.estimate import Interval, unbounded
from dustcake_lab.study.candidates import (
    Candidate,
    CandidateResult,
    Prices,
    grid,
    present,
)
from dustcake_lab.study.jobs import Plan, StudyError
from dustcake_lab.study.loop import RowModel, StudyLoop
from dustcake_lab.study.recommendation import GOOD_ENOUGH, LABEL, PLEATS, ranges, recommended
from dustcake_lab.study.study import (
    FLOW,
    HIGHEST,
    NEVER,
    UNSEEN,
    Study,
    broken,
    limit_words,
    search,
    study,
)
from fit.independent import Collector, Truth
from fit.local_cluster import local_cluster
from traces.recorded import settings_text

TODAY = chosen(
    fitted={"blower_running": True},
    pulsing={"order": (1, 2, 3, 4), "interval_s": 15.0},
    limits={"low_pa": 75.0},
)
PRICES = Prices(Air(), flow_m3s=1.2, own_air_m3=0.040827578, fan_efficiency=0.6)


def collector(spread: float = 0.01, lowest_pa: float = 640.0) -> FittedCollector:
    theta = unbounded(np.array([0.0225, 600.0, 0.6, 0.05, 0.01, 0.5]))
    each = Interval(0.0225, 0.022, 0.023)
    return FittedCollector(
        rows=4,
        load=each,
        residual=Interval(600.0, 595.0, 605.0),
        removed=Interval(0.6, 0.58, 0.62),
        scatter=Interval(0.05, 0.04, 0.06),
        gusts=0.01,
        noise_pa=3.0,
        by_hour=np.ones(24),
        running=np.array([0.0] * 6 + [1.0] * 16 + [0.5, 0.0]),
        clock="UTC",
        flow_m3s=1.2,
        flow_fall_per_pa=0.0,
        mean_dp_pa=870.0,
        lowest_dp_pa=lowest_pa,
        pulses=200,
        surprise=1.0,
        within=0.95,
        theta=theta,
        covariance=np.eye(6) * spread**2,
        ageing="too short",
    )


def on_demand(low_pa: float, high_pa: float) -> Candidate:
    return Candidate(Mode.ON_DEMAND, low_pa, high_pa, 15.0, 0.15)


def timed(interval_s: float) -> Candidate:
    return Candidate(Mode.TIMED, None, None, interval_s, 0.15)


TRIED = (on_demand(700, 850), on_demand(700, 1150), on_demand(900, 1150), timed(600), timed(7200))
PLAN = Plan(days=4.0, draws=4, most_dp_pa=1100.0)


@cache
def done() -> Study:
    return study(collector(), TODAY, PRICES, PLAN, TRIED)


def test_a_loop_lives_as_the_worked_example_says() -> None:
    """From 1000 Pa five pulses take four rows below 750 Pa; loading again takes 11 775 s."""
    model = RowModel(4, 0.0225, 600.0, 0.6, 0.0)
    lived = StudyLoop(model, TODAY, [1.0] * 24, [1.0] * 24, 1).run(5.0, 10**9)
    assert lived.pulses / lived.runs == pytest.approx(5.0, abs=0.2)
    assert 5 * 86_400 / lived.runs == pytest.approx(11_775 + 75, rel=0.04)
    assert lived.highest_dp_pa == pytest.approx(1000.0, abs=0.2)
    assert lived.running_s == pytest.approx(5 * 86_400, abs=1.0)


def test_a_loop_runs_when_the_blower_does() -> None:
    model = RowModel(4, 0.0225, 600.0, 0.6, 0.0)
    running = [0.0] * 6 + [1.0] * 16 + [0.25, 0.0]
    lived = StudyLoop(model, TODAY, [1.0] * 24, running, 1).run(3.0, 10**9)
    assert lived.running_s == pytest.approx(3 * 16.25 * 3600, abs=5.0)


def test_the_blower_stops_once_a_day_and_rests_at_weekends() -> None:
    """Shifts from 05:45 to 22:15 on five days of seven: five starts, 82.5 hours."""
    model = RowModel(4, 0.0225, 600.0, 0.6, 0.0)
    worked = [0.0] * 5 + [0.25] + [1.0] * 16 + [0.25, 0.0]
    loop = StudyLoop(model, TODAY, [1.0] * 24, worked * 5 + [0.0] * 48, 1)
    loop.keep_curve_s = 7 * 86_400.0
    lived = loop.run(7.0, 10**9)
    assert lived.running_s == pytest.approx(5 * 16.5 * 3600, abs=5.0)
    starts = [
        at_s
        for (_, before_pa), (at_s, pa) in pairwise([(0.0, 0.0), *lived.curve])
        if before_pa == 0.0 < pa
    ]
    assert starts == [day * 86_400 + 5.75 * 3600 for day in range(5)]


def test_air_costs_what_the_worked_example_says() -> None:
    """A pulse every 10 s: 9342.9 kWh in 6000 h at 18 kW for 100 ft3/min; 2 W of fan for each Pa."""
    outcome = CandidateResult(0, 0, 0, 0, 0, 0, 0, 0, (), 1)
    assert outcome.kwh == 0
    lived = StudyLoop(
        RowModel(4, 0.0225, 600.0, 0.6, 0.0),
        timed(10.0).applied(TODAY),
        [1.0] * 24,
        [1.0] * 24,
        1,
    ).run(1.0, 10**9)
    from dustcake_lab.study.candidates import result_of as made_of

    made = made_of(lived, timed(10.0), present(TODAY), PRICES)
    assert made.pulses == pytest.approx(360_000, rel=0.002)
    assert made.air_kwh * 6 == pytest.approx(9342.944, rel=0.002)
    assert made.fan_kwh == pytest.approx(2.0 * made.mean_dp_pa, rel=1e-3)


def test_the_recommendation_keeps_the_limits_and_names_what_binds() -> None:
    made = recommended(done())
    assert done().candidates[0] == present(TODAY)
    assert made.best is not None
    assert done().candidates[made.best] in (timed(600), on_demand(700, 850))
    assert broken(done(), 2) == ["highest dP"]
    assert made.saving.low > 0.0
    assert made.saving.low < made.saving.value < made.saving.high
    text = " ".join(made.text)
    assert LABEL in text
    assert PLEATS in text
    assert "pleat ratio" in PLEATS
    assert "Powder Technology" in PLEATS


def test_timed_can_be_better() -> None:
    only = study(collector(), TODAY, PRICES, PLAN, (on_demand(950, 1090), timed(600)))
    made = recommended(only)
    assert made.mode is Mode.TIMED
    assert "Timed cleaning comes out better than on demand here." in made.text


def test_prices_are_those_of_the_settings_and_are_told() -> None:
    """Twice the air of a pulse at three times the energy: six times the energy of air."""
    air = Air(rated_pulse_m3=0.08, energy_kwh_per_m3=0.3, price_per_kwh=0.25, currency="EUR")
    dear = replace(TODAY, air=air)
    assert Prices(air, 1.2, 0.03, 0.5).air_m3 == 0.03
    plan, cheap = replace(PLAN, days=2.0), Prices(Air(energy_kwh_per_m3=0.1), 1.2, 0.04, 0.6)
    cheap_one = study(collector(), TODAY, cheap, plan, (timed(600),))
    dear_one = study(collector(), dear, Prices(air, 1.2, None, 0.6), plan, (timed(600),))
    ratio = dear_one.results[1][0].air_kwh / cheap_one.results[1][0].air_kwh
    assert ratio == pytest.approx(6.0)
    made = recommended(dear_one)
    text = " ".join(made.text)
    assert "80 l of free air, and each m3 of that for 0.3 kWh" in text
    assert "0.25 EUR a kWh" in text
    assert f" or {0.25 * made.saving_kwh.value:.0f} EUR in 1000 hours" in text


def test_nothing_below_what_the_trace_has_seen_is_recommended() -> None:
    """Neither a low set point nor, without one, a mean dP; and no range told reaches there."""
    low, higher, often = on_demand(700, 850), on_demand(770, 860), timed(600)
    made_of = study(collector(lowest_pa=760.0), TODAY, PRICES, PLAN, (low, higher, often))
    made = recommended(made_of)
    assert UNSEEN in broken(made_of, 1)
    assert UNSEEN in broken(made_of, 3)
    assert made.best == 2
    assert ranges(made_of, made.good, made.mode)["low_pa"] == (770, 770)
    assert made.binding == UNSEEN
    assert any("98 % of the trace lies above 760 Pa" in each for each in made.text)
    assert any("record again" in each for each in made.text)


def test_a_time_in_which_todays_settings_never_clean_compares_nothing() -> None:
    """From 750 Pa it takes more than three hours to come to 1000 Pa."""
    plan = replace(PLAN, days=7.0 / 24.0)
    made = recommended(study(collector(), TODAY, PRICES, plan, (on_demand(750, 760), timed(600))))
    assert made.best is None
    assert made.good == []
    assert made.binding == NEVER
    assert made.saving.value == 0.0
    assert "never clean within the 0.291667 days simulated" in made.text[0]
    assert "more --days" in made.text[0]


def test_data_that_are_too_thin_recommend_nothing() -> None:
    """What is saved is small against what the parameters leave open."""
    near = (on_demand(745, 990), on_demand(750, 985))
    made = recommended(study(collector(0.2), TODAY, PRICES, PLAN, near))
    assert made.best is None
    assert made.text[0].startswith("Keep today's settings")
    assert "too thin" in made.text[0]


def test_a_limit_nothing_keeps() -> None:
    """It is named with its value and its option; the others, which some keep, are not."""
    made = recommended(study(collector(), TODAY, PRICES, replace(PLAN, least_flow=1.3), TRIED))
    assert made.best is None
    assert made.binding == FLOW
    assert "What binds: flow at the hood (--least-flow 1.3)." in made.text[0]
    assert "The mean flow is 1.2 m3/s" in made.text[0]
    with pytest.raises(StudyError, match="hardly above the residual dP"):
        study(collector(), TODAY, PRICES, replace(PLAN, most_dp_pa=650.0), TRIED)


def test_the_highest_dp_is_named_by_where_it_comes_from() -> None:
    high = (on_demand(900, 1150), on_demand(800, 1160))
    made = recommended(study(collector(), TODAY, PRICES, replace(PLAN, most_dp_pa=700.0), high))
    assert made.binding == HIGHEST
    assert "What binds: highest dP (--most-dp 700). Allow a higher dP" in made.text[0]
    by_alarms = recommended(
        study(collector(), TODAY, PRICES, replace(PLAN, most_dp_pa=None), TRIED)
    )
    assert by_alarms.best is not None
    assert limit_words(replace(done(), plan=replace(PLAN, most_dp_pa=None)), HIGHEST).endswith(
        "Pa, by the alarms of the settings)"
    )


def test_an_on_time_the_trace_has_never_seen_is_said_to_be() -> None:
    shorter = replace(on_demand(700, 850), on_time_s=0.12)
    made = recommended(study(collector(), TODAY, PRICES, PLAN, (shorter,)))
    assert made.best == 1
    text = " ".join(made.text)
    assert "never seen an on-time of 0.12 s, but today's of 0.15 s" in text
    assert "speed control holds the flow" in text
    same = recommended(study(collector(), TODAY, PRICES, PLAN, (on_demand(700, 850),)))
    assert "never seen an on-time" not in " ".join(same.text)


def test_the_grid_has_some_two_hundred_settings_all_possible() -> None:
    tried = list(grid(TODAY, 605.0, 1190.0, 5.0))
    assert 150 <= len(tried) <= 260
    assert len(set(tried)) == len(tried)
    for each in tried:
        if each.low_pa is not None and each.high_pa is not None:
            assert 605.0 < each.low_pa < each.high_pa <= 1190.0
    assert {each.mode for each in tried} == {Mode.ON_DEMAND, Mode.TIMED}


def test_a_search_comes_to_better_settings_than_a_few_chosen_by_hand() -> None:
    plan = replace(PLAN, days=1.0, draws=2)
    found = search(collector(), TODAY, PRICES, plan, 75)
    assert 40 <= len(found.candidates) <= 80
    assert len(set(found.candidates)) == len(found.candidates)
    assert len(found.jobs) == plan.draws * len(found.candidates)
    made, by_hand = recommended(found), recommended(study(collector(), TODAY, PRICES, plan, TRIED))
    assert made.best is not None
    assert by_hand.best is not None
    assert made.saving.value > by_hand.saving.value - GOOD_ENOUGH
    assert {each.mode for each in found.candidates} == {Mode.ON_DEMAND, Mode.TIMED}
    # The last generations are where the first ones found little energy.
    kwh = [results[0].kwh for results in found.results]
    assert np.median(kwh[-15:]) < np.median(kwh[1:16])


def test_a_dask_cluster_comes_to_the_same() -> None:
    with local_cluster(2) as cluster:
        plan = replace(PLAN, dask=cluster.scheduler_address)
        there = study(collector(), TODAY, PRICES, plan, TRIED)
    assert there.results == done().results


def test_no_scheduler_there(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("dustcake_lab.study.jobs._CONNECT_S", 0.3)
    with pytest.raises(StudyError, match=r"--dask tcp://127.0.0.1:9: no scheduler there"):
        study(collector(), TODAY, PRICES, replace(PLAN, dask="tcp://127.0.0.1:9"), TRIED)


@pytest.fixture(scope="module")
def two_days(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A directory with a trace and settings."""
    made, one = tmp_path_factory.mktemp("study"), Collector(Truth(step_s=4), 7)
    one.on_demand(2.0)
    (made / "trace.csv").write_text(one.csv())
    (made / "settings.toml").write_text(settings_text())
    return made


def test_a_trace_without_flow_needs_to_be_given_one(
    two_days: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    trace, chosen_file = str(two_days / "trace.csv"), str(two_days / "settings.toml")
    assert main(["study", trace, "--settings", chosen_file]) == 2
    assert "give the mean flow with --flow" in capsys.readouterr().err


def test_the_command_and_its_report(
    two_days: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every twelfth setting of the grid, which is tried whole elsewhere."""
    monkeypatch.setattr("dustcake_lab.study.study.grid", lambda *of: list(grid(*of))[::12])
    report, png = two_days / "report.html", two_days / "report.png"
    options = ["--settings", str(two_days / "settings.toml"), "--days", "1", "--draws", "2"]
    options += ["--list", "5", "--sort", "pulses"]
    options += ["--flow", "1.2", "--json", "--report", str(report), "--png", str(png)]
    assert main(["study", str(two_days / "trace.csv"), *options]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["label"] == LABEL
    assert told["fit"]["residual_pa"]["low"] < 600.0 < told["fit"]["residual_pa"]["high"]
    assert told["candidates"] > 12
    assert told["fit"]["hours_of"] == "the trace, from its first row"
    assert "48 hours of running" in told["filter_life"]["not_told"]
    pulses = [each["pulses"] for each in told["listed"][1:]]
    assert len(pulses) in (5, 6)
    assert pulses == sorted(pulses)
    page = report.read_text(encoding="utf-8")
    assert not re.search(r'<(script|link|img)[^>]+(src|href)="https?:', page), "self-contained"
    for heading in (
        "Cycle time",
        "Residual dP",
        "Compressed air",
        "What if",
        "alarm",
        "not known",
    ):
        assert heading in page
    assert PLEATS[:40] in page
    assert png.read_bytes().startswith(b"\x89PNG")


def test_a_trace_that_cannot_say(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    trace, chosen_file = tmp_path / "trace.csv", tmp_path / "settings.toml"
    trace.write_text("time,dp_pa\n" + "".join(f"{t},800\n" for t in range(100)))
    chosen_file.write_text(settings_text())
    assert main(["study", str(trace), "--settings", str(chosen_file), "--flow", "1"]) == 2
    assert "the trace has no pulse" in capsys.readouterr().err
