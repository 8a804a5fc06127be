"""Scenario files: what they build, and how a wrong one is refused."""

from __future__ import annotations

import copy
import tomllib
from pathlib import Path
from typing import Any

import pytest

from dustcake_sim.plant.advance import operating_point
from dustcake_sim.scenario import (
    ScenarioError,
    build_plant,
    build_start,
    load_scenario,
    packaged_scenarios,
    parse_scenario,
    settings_beside,
)


@pytest.fixture
def document() -> dict[str, Any]:
    text = packaged_scenarios()["welding_cell"].read_text(encoding="utf-8")
    return copy.deepcopy(tomllib.loads(text))


def test_packaged_scenarios_build() -> None:
    names = packaged_scenarios()
    assert {"welding_cell", "worn_filters"} <= set(names)
    for name in names:
        scenario = load_scenario(name)
        plant = build_plant(scenario)
        dp_pa = operating_point(plant, build_start(scenario, plant)).dp_pa
        assert 0.0 <= dp_pa < 1000.0


def test_load_profile_repeats(document: dict[str, Any]) -> None:
    scenario = parse_scenario(document, "test")
    for time_s, dust_kg_m3 in (
        (0.0, 0.003),
        (12_599.0, 0.003),
        (12_600.0, 0.0002),
        (14_399.0, 0.0002),
        (14_400.0, 0.003),
        (27_000.0, 0.0002),
    ):
        assert scenario.dust_profile().at(time_s).dust_g_m3 == pytest.approx(dust_kg_m3 * 1000.0)


def put(document: dict[str, Any], path: str, value: object) -> None:
    *above, last = path.split(".")
    for key in above:
        document = document[key]
    document[last] = value


def event(**fields: object) -> list[dict[str, object]]:
    return [{"at_s": 1.0, **fields}]


@pytest.mark.parametrize(
    ("path", "value", "message"),
    [
        ("plant.colour", "red", "plant.colour = 'red': no such setting; remove or rename it"),
        ("plant.rows", 0, "plant.rows = 0: Input should be greater than or equal to 1"),
        ("plant.rows", "four", "plant.rows = 'four': Input should be a valid integer"),
        ("plant.media.removed_per_pulse", 1.5, "plant.media.removed_per_pulse = 1.5"),
        ("plant.header.recharge_time_s", float("inf"), "plant.header.recharge_time_s = inf"),
        ("transmitters.dp.span_high", -1.0, "make span_high larger than span_low"),
        (
            "blower_control",
            "magic",
            "blower_control = 'magic': Input should be 'local' or 'remote'",
        ),
        ("load", [], "give [[load]] or [[shift]] tables"),
        ("load", [{"at_s": 5.0, "dust_g_m3": 1.0}], "start the first [[load]] at at_s = 0"),
        ("load_repeat_s", 60.0, "make load_repeat_s larger than the last at_s"),
        ("event", event(kind="flood"), "'flood'"),
        ("event", event(kind="blower"), "event.0.blower.running: missing; add it"),
        ("event", event(kind="valve", valve=5, fault="stuck_open"), "choose 1 to 4"),
        ("event", event(kind="transmitter", fault="current"), "give current_ma with fault"),
        ("event", event(kind="filters_worn", added_drag_pa_s_m=1.0, rows=2), "no such setting"),
        (
            "event",
            event(kind="filter_torn", row=5, hole_mm2=1.0),
            "event.0.row is 5: choose 1 to 4",
        ),
        ("event", event(kind="header_supply"), "give gauge_pa, or without blow_down"),
        ("event", event(kind="header_supply", leak_m3_s_pa=0.0, blow_down=True), "give gauge_pa"),
        ("event", event(kind="transmitter", fault="starved"), "'current', 'starved' or 'leaking'"),
        (
            "event",
            event(kind="sensing_line", line="clear", over_s=60.0),
            "over_s goes with line 'plugged', and only with that",
        ),
        (
            "event",
            event(kind="sensing_line", line="wet", share=0.5),
            "share goes with line 'high_leaking' or 'low_leaking'",
        ),
        (
            "shift",
            [{"days": ["mon"], "from_h": 6.0, "to_h": 14.0, "dust_g_m3": 1.0}],
            "give [[load]] or [[shift]] tables, and not both",
        ),
        ("plant.drum", {"thrown_share": 0.6, "raised_share": 0.5}, "less than 1 together"),
        ("plant.media.held_back", 1.0, "plant.media.held_back = 1.0"),
        (
            "event",
            [
                {"at_s": 9.0, "kind": "filters_changed"},
                {"at_s": 8.0, "kind": "filters_changed"},
            ],
            "event.1.at_s is 8, before the one above it: put the [[event]] tables in order",
        ),
    ],
)
def test_refusals(document: dict[str, Any], path: str, value: object, message: str) -> None:
    put(document, path, value)
    with pytest.raises(ScenarioError) as caught:
        parse_scenario(document, "plant.toml")
    assert "plant.toml cannot be used:" in str(caught.value)
    assert message in str(caught.value)


@pytest.mark.parametrize(
    ("shift", "message"),
    [
        ({"from_h": 22.0, "to_h": 6.0}, "write a shift over midnight as two"),
        ({"breaks": [{"from_h": 13.5, "to_h": 14.5}]}, "break from 13.5 to 14.5: put it within"),
        ({"days": []}, "shift.0.days"),
        ({"days": ["monday"]}, "'monday'"),
        ({"from_h": 25.0}, "shift.0.from_h = 25.0"),
    ],
)
def test_refused_shifts(document: dict[str, Any], shift: dict[str, object], message: str) -> None:
    del document["load"], document["load_repeat_s"]
    right = {"days": ["mon"], "from_h": 6.0, "to_h": 14.0, "dust_g_m3": 1.0}
    parse_scenario(document | {"shift": [right]}, "test")
    with pytest.raises(ScenarioError) as caught:
        parse_scenario(document | {"shift": [right | shift]}, "test")
    assert message in str(caught.value)


def test_load_repeat_goes_with_load_only(document: dict[str, Any]) -> None:
    del document["load"]
    right = {"days": ["mon"], "from_h": 6.0, "to_h": 14.0, "dust_g_m3": 1.0}
    with pytest.raises(ScenarioError, match="load_repeat_s: shifts repeat each week"):
        parse_scenario(document | {"shift": [right]}, "test")


def test_rows_scatter_by_the_seed(document: dict[str, Any]) -> None:
    document["plant"]["removed_scatter"] = 0.1
    scenario = parse_scenario(document, "test")
    first, again, other = (build_plant(scenario, seed).row_cleaning for seed in (1, 1, 2))
    assert first == again != other
    assert len(set(first)) == 4


def test_settings_are_looked_for_beside_the_scenario(tmp_path: Path) -> None:
    scenario = load_scenario("welding_cell")
    packaged = settings_beside("welding_cell", scenario)
    assert packaged is not None
    assert packaged.is_file()
    assert settings_beside(tmp_path / "mine.toml", scenario) == (
        tmp_path / "settings" / "four_rows.toml"
    )
    none = scenario.model_copy(update={"settings": None})
    assert settings_beside("welding_cell", none) is None


def test_a_blower_event_needs_local_control(document: dict[str, Any]) -> None:
    document |= {"blower_control": "remote", "event": event(kind="blower", running=False)}
    with pytest.raises(ScenarioError, match="set blower_control to 'local'"):
        parse_scenario(document, "test")


def test_a_missing_table_is_named(document: dict[str, Any]) -> None:
    del document["plant"]["fan"]
    with pytest.raises(ScenarioError, match=r"plant\.fan: missing; add it"):
        parse_scenario(document, "test")


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(ScenarioError, match=r"or one of .*welding_cell, worn_filters"):
        load_scenario(tmp_path / "none.toml")
    with pytest.raises(ScenarioError, match="cannot read"):
        load_scenario(tmp_path)
    broken = tmp_path / "broken.toml"
    broken.write_text("title = ", encoding="utf-8")
    with pytest.raises(ScenarioError, match="is not valid TOML"):
        load_scenario(broken)
    broken.write_bytes(b"\xff\xfe")
    with pytest.raises(ScenarioError, match="UTF-8"):
        load_scenario(str(broken))
