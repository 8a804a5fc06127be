"""`dustcake simulate` as people and scripts use it."""

from __future__ import annotations

import json
import sys
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from closed_loop.loops import DAY_S
from dustcake.__main__ import main
from dustcake_loop import simulate
from dustcake_loop import simulation as sim_plot
from dustcake_loop.simulation import Curves
from dustcake_sim.events import make_event
from dustcake_sim.scenario import packaged_scenarios

PNG = b"\x89PNG\r\n\x1a\n"


def run(*arguments: str) -> int:
    return main(["simulate", *arguments])


def lines(text: str) -> list[dict[str, object]]:
    return [json.loads(line) for line in text.splitlines()]


def test_json_lines_and_the_summary(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("welding_cell", "--days", "0.2", "--json") == 0
    out, err = capsys.readouterr()
    assert err == ""
    *events, summary = lines(out)
    assert events[0]["event"] == "started"
    for each in events:
        assert {"t_s", "utc", "event"} <= set(each)
    pulses = [each for each in events if each["event"] == "pulse"]
    started = [each for each in events if each["event"] == "cleaning_started"]
    assert summary["event"] == "summary"
    assert summary["samples"] == 0.2 * DAY_S + 1
    assert summary["duration_s"] == 0.2 * DAY_S
    assert summary["pulses"] == len(pulses) > 0
    assert summary["cleaning_cycles"] == len(started) > 0
    plant = summary["plant"]
    assert isinstance(plant, dict)
    assert plant["dust_caught_kg"] > 0.0
    assert plant["two_valves_at_once"] == 0


def test_the_same_seed_prints_the_same(capsys: pytest.CaptureFixture[str]) -> None:
    printed: list[str] = []
    for seed in ("3", "3", "4"):
        assert run("plasma_table", "--days", "0.6", "--json", "--seed", seed) == 0
        printed.append(capsys.readouterr().out)
    assert printed[0] == printed[1] != printed[2]


def test_words(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("torn_filter", "--days", "2") == 0
    out = capsys.readouterr().out
    assert "UTC  cleaning on demand started: dP" in out
    assert 'alarm "dP low with the blower running" suppressed' in out
    assert "alarms raised    1 (dP too low for these filters: 1)" in out
    assert "dust let through" in out
    assert "no claim" in str(simulate.__doc__)
    assert out.rstrip().endswith("note: simulated: not a claim about any real collector")


def test_a_scenario_of_ones_own_with_settings_beside_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = packaged_scenarios()["welding_cell"].read_text(encoding="utf-8")
    mine = tmp_path / "mine.toml"
    mine.write_text(text.replace("settings/four_rows.toml", "mine-settings.toml"), "utf-8")
    assert run(str(mine), "--days", "0.01") == 2
    assert "mine-settings.toml" in capsys.readouterr().err
    folder = packaged_scenarios()["welding_cell"]
    settings = Path(str(folder)).parent / "settings" / "four_rows.toml"
    (tmp_path / "mine-settings.toml").write_text(settings.read_text("utf-8"), "utf-8")
    assert run(str(mine), "--days", "0.01") == 0
    without = "\n".join(line for line in text.splitlines() if not line.startswith("settings"))
    mine.write_text(without, "utf-8")
    capsys.readouterr()
    assert run(str(mine), "--days", "0.01") == 2
    assert "names no settings: add --settings FILE" in capsys.readouterr().err
    assert run(str(mine), "--days", "0.01", "--settings", str(settings)) == 0


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("nonesuch",), "no scenario 'nonesuch'"),
        (("welding_cell", "--settings", "nowhere.toml"), "nowhere.toml"),
        (("welding_cell", "--collector", "hall-9"), "--collector hall-9: no such collector"),
        (("welding_cell", "--plot", "no/such/place.png"), "no such directory"),
    ],
)
def test_refusals(
    arguments: tuple[str, ...], message: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(*arguments, "--days", "0.001") == 2
    out, err = capsys.readouterr()
    assert message in err
    assert out == ""


def test_rows_and_valves_must_agree(capsys: pytest.CaptureFixture[str]) -> None:
    settings = Path(str(packaged_scenarios()["welding_cell"])).parent / "settings/six_rows.toml"
    assert run("welding_cell", "--settings", str(settings)) == 2
    err = capsys.readouterr().err
    assert "6 valves and the scenario's collector 4 rows: choose settings" in err


@pytest.mark.parametrize("option", [("--days", "0"), ("--days", "long"), ("--speed", "-1")])
def test_numbers_must_be_positive(
    option: tuple[str, str], capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as ended:
        run("welding_cell", *option)
    assert ended.value.code == 2
    assert "above 0" in capsys.readouterr().err


@pytest.mark.patience(240, "weeks of a collector, and their picture")
def test_a_picture(tmp_path: Path) -> None:
    picture = tmp_path / "run.png"
    # One with an alarm and something that happens, and one over weeks.
    for arguments in (("stuck_valve", "--days", "0.8"), ("shift_year", "--days", "15")):
        assert run(*arguments, "--plot", str(picture)) == 0
        assert picture.read_bytes().startswith(PNG)
        assert picture.stat().st_size > 20_000
        picture.unlink()


@pytest.mark.parametrize(
    ("kind", "fields", "told"),
    [
        ("valve", {"valve": 3, "fault": "stuck_closed"}, "valve 3, stuck closed"),
        ("valve", {"valve": 3, "fault": "none"}, "valve 3, mended"),
        (
            "transmitter",
            {"fault": "starved", "current_ma": 9.0},
            "transmitter starved, current 9 mA",
        ),
        ("header_supply", {"leak_m3_s_pa": 4e-8}, "header supply leak 4e-08 m³/(s Pa)"),
        ("filter_torn", {"row": 2, "hole_mm2": 900.0}, "filter torn row 2, hole 900 mm²"),
        ("blower_trip", {"tripped": True}, "blower trip tripped yes"),
        ("sticky", {"factor": 2.5}, "sticky 2.5"),
        ("drum_emptied", {}, "drum emptied"),
    ],
)
def test_events_in_the_words_of_a_picture(kind: str, fields: dict[str, Any], told: str) -> None:
    assert sim_plot.words(make_event(kind, 0.0, **fields)) == told


def test_a_picture_of_no_known_kind(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run("welding_cell", "--days", "0.01", "--plot", str(tmp_path / "run.nonesuch")) == 2
    assert "name a writable file that ends in .png" in capsys.readouterr().err


def test_without_matplotlib_the_extra_is_named(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sim_plot, "find_spec", lambda name: None)
    assert run("welding_cell", "--days", "0.01", "--plot", str(tmp_path / "run.png")) == 2
    out, err = capsys.readouterr()
    assert "in the checkout: pip install '.[analysis]'" in err
    assert out == "", "told before the run, not after it"


def test_curves_stay_small_and_keep_peaks_and_dips() -> None:
    from closed_loop.loops import closed_loop

    loop = closed_loop("welding_cell", leaping=False)
    curves = Curves(4, 8 * 3600.0)
    highest_pa, deepest_pa = 0.0, 1e6

    def watch(now: object) -> None:
        nonlocal highest_pa, deepest_pa
        curves.watch(loop)
        highest_pa = max(highest_pa, loop.field.collector.point.dp_pa)
        deepest_pa = min(deepest_pa, loop.field.collector.state.header_gauge_pa)

    for event in loop.events(8 * 3600.0, watch):
        curves.note(event)
    bins = len(curves.from_s)
    assert 1000 < bins < 6000
    assert max(curves.dp_pa.high) == pytest.approx(highest_pa)
    assert min(curves.header_pa.low) == pytest.approx(deepest_pa)
    assert deepest_pa < 500_000.0
    for each in (curves.dp_pa, curves.flow_m3_s, curves.header_pa, *curves.cake_kg_m2):
        for first, low, high, last in zip(each.first, each.low, each.high, each.last, strict=True):
            assert low <= min(first, last) <= max(first, last) <= high
        assert len(each.first) == bins
    assert all(begun <= ended for begun, ended in zip(curves.from_s, curves.to_s, strict=True))
    assert all(
        before <= after for before, after in zip(curves.to_s[:-1], curves.from_s[1:], strict=True)
    )
    assert (curves.from_s[0], curves.to_s[-1]) == (0.0, 8 * 3600.0)
    assert curves.alarms == []


def test_curves_know_when_alarms_were_active() -> None:
    from closed_loop.loops import closed_loop

    loop = closed_loop("tired_compressor")
    curves = Curves(4, 2.5 * DAY_S)
    for event in loop.events(2.5 * DAY_S):
        curves.note(event)
    low = [each for each in curves.alarms if each.alarm == "header_pressure_low"]
    assert len(low) >= 3
    for before, after in pairwise(low):
        assert before.until_s is not None
        assert before.since_s < before.until_s < after.since_s


def test_speed_holds_the_run_back(monkeypatch: pytest.MonkeyPatch) -> None:
    slept: list[float] = []
    clock = [100.0]

    def sleep(seconds: float) -> None:
        slept.append(seconds)
        clock[0] += seconds

    monkeypatch.setattr("dustcake_loop.simulate.time.monotonic", lambda: clock[0])
    monkeypatch.setattr("dustcake_loop.simulate.time.sleep", sleep)
    assert run("welding_cell", "--days", "0.1", "--speed", "1000") == 0
    assert sum(slept) == pytest.approx(0.1 * DAY_S / 1000.0)


def test_the_bar_shows_on_a_terminal_only(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(simulate, "_BAR_EVERY_S", 0.0)
    assert run("welding_cell", "--days", "0.1") == 0
    assert capsys.readouterr().err == ""
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True, raising=False)
    assert run("welding_cell", "--days", "0.1") == 0
    shown = capsys.readouterr().err
    assert "x real time" in shown
    assert "of 0.1" in shown
    assert shown.endswith("\r\x1b[K"), "gone when the run is over"
