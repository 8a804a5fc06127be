"""What the core counts of air, and reads of residual dP, against a plant that knows the truth."""

import tomllib
from dataclasses import replace

import pytest

from closed_loop.loops import DAY_S, closed_loop
from dustcake.core.air.use import mass_kg
from dustcake_loop.closed_loop import ClosedLoop
from dustcake_sim.scenario import packaged_scenarios, parse_scenario


def lived(recharge_time_s: float, days: float = 2.0, seed: int = 3) -> ClosedLoop:
    """A welding cell whose header recharges with this time constant, read once a second."""
    table = tomllib.loads(packaged_scenarios()["welding_cell"].read_text(encoding="utf-8"))
    table["plant"]["header"]["recharge_time_s"] = recharge_time_s
    scenario = parse_scenario(table, "welding_cell")
    volume_m3 = scenario.plant.header.volume_m3
    air = {"header_volume_m3": volume_m3, "rated_pulse_m3": 0.1}
    loop = closed_loop(scenario, changes={"air": air}, seed=seed)
    for _ in loop.events(days * DAY_S):
        pass
    return loop


@pytest.mark.parametrize("recharge_time_s", [2.5, 4.0])
def test_air_measured_at_the_header_is_what_the_pulses_drew(recharge_time_s: float) -> None:
    """Although the header recharges, and its air is cold, while it is being read."""
    loop = lived(recharge_time_s)
    total = loop.state.air.total
    assert total.rated <= total.measured / 20
    assert total.measured >= 50
    counted_kg = mass_kg(total.free_m3, 101_325.0)
    assert counted_kg == pytest.approx(loop.field.collector.state.air_used_kg, rel=0.05)


def test_a_header_that_recharges_faster_than_polls_can_see_is_counted_as_rated() -> None:
    total = lived(0.4).state.air.total
    assert total.measured == 0
    assert total.free_m3 == pytest.approx(0.1 * total.rated)
    assert total.rated >= 50


def test_residual_is_read_and_lies_where_cleaning_leaves_it() -> None:
    loop = lived(0.6)
    residuals = loop.state.filter_life.residuals
    assert len(residuals.points) >= 10
    high_pa = residuals.conditions[0].high_pa
    assert all(0.3 * high_pa < point.pa < high_pa for point in residuals.points)
    blower_h = loop.state.filter_life.hours(loop.state.blower.total_until_s(loop.t_s))
    assert residuals.points[-1].hours <= blower_h <= 2 * 24.0


def test_the_same_life_again_is_the_same() -> None:
    first, again = (lived(4.0, days=1.0).state for _ in range(2))
    assert replace(first, quiet=None) == replace(again, quiet=None)
    assert first.filter_life.residuals.points
