"""How much faster than life plant and core run together, and whether a year stays small.

By the time one core spends, so that whatever else the machine does counts less.
"""

import math
import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest
from scipy.integrate import solve_ivp

from bench.conftest import Add
from closed_loop.loops import DAY_S, closed_loop
from dustcake_sim.plant.media import drag_pa_s_m
from dustcake_sim.plant.state import State
from dustcake_sim.scenario import build_plant, build_start, load_scenario

LOOPED_DAYS, YEAR_DAYS = 20.0, 365.0
LEAST_FACTOR = 100_000.0
HIGH_PA, LOW_PA = 1000.0, 750.0


def resident_mib() -> float:
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    return pages * 4096 / 2**20


def solved_factor(days: float, longest_step_s: float) -> tuple[float, int]:
    """Times real time of the bare loading equation in a library's solver, cleaned at 1000 Pa.

    The same four rows and fan as in the closed loop, and nothing else: no header, no pulse in
    time, no instrument, no noise, no decision. And how many cleanings that came to.
    """
    scenario = load_scenario("welding_cell")
    plant = build_plant(scenario)
    media, fan = plant.media, plant.fan
    quadratic = fan.curve_pa_s2_m6 + plant.duct.resistance_pa_s2_m6
    dust_kg_m3 = 0.003

    def dp_and_drags(cakes: Sequence[float]) -> tuple[float, list[float]]:
        drags = [drag_pa_s_m(media, media.residual_drag_pa_s_m, cake) for cake in cakes]
        loss = 1.0 / (plant.row_area_m2 * sum(1.0 / drag for drag in drags))
        root = (loss * loss + 4.0 * quadratic * fan.shutoff_pa) ** 0.5
        return loss * 2.0 * fan.shutoff_pa / (loss + root), drags

    def rates(_t_s: float, cakes: Sequence[float]) -> list[float]:
        dp_pa, drags = dp_and_drags(cakes)
        return [dust_kg_m3 * dp_pa / drag for drag in drags]

    def high(_t_s: float, cakes: Sequence[float]) -> float:
        return dp_and_drags(cakes)[0] - HIGH_PA

    high.terminal = True  # type: ignore[attr-defined]
    start: State = replace(build_start(scenario, plant))
    cakes, t_s, cleanings, row = list(start.cake_kg_m2), 0.0, 0, 0
    begun_s = time.process_time()
    while t_s < days * DAY_S:
        solved = solve_ivp(
            rates, (t_s, days * DAY_S), cakes, events=high, rtol=1e-6, max_step=longest_step_s
        )
        t_s, cakes = float(solved.t[-1]), [float(cake) for cake in solved.y[:, -1]]
        if solved.status == 1:
            cleanings += 1
            while dp_and_drags(cakes)[0] > LOW_PA:
                cakes[row % plant.rows] *= 1.0 - media.removed_per_pulse
                row += 1
    return days * DAY_S / (time.process_time() - begun_s), cleanings


def test_four_rows_around_the_clock(row: Add) -> None:
    loop = closed_loop("welding_cell")
    begun_s = time.process_time()
    events = sum(1 for _ in loop.events(LOOPED_DAYS * DAY_S))
    factor = LOOPED_DAYS * DAY_S / (time.process_time() - begun_s)
    solver, cleanings = solved_factor(2.0, math.inf)
    sampling, _ = solved_factor(0.1, 1.0)
    assert cleanings > 10
    assert events > 1000
    row("closed loop, 4 rows, 1 s samples", f"{factor:,.0f} x real time", "at least 100,000")
    for what, figure in (
        ("  bare loading ODE, solve_ivp, its own steps", solver),
        ("  the same in steps of 1 s", sampling),
    ):
        row(what, f"{figure:,.0f} x real time", f"the loop is {factor / figure:.2g} times as fast")
    assert factor >= LEAST_FACTOR


@pytest.mark.night
@pytest.mark.patience(600, "a year of a collector, step by step")
def test_a_year_of_shifts(row: Add) -> None:
    loop = closed_loop("shift_year")
    for _ in loop.events(10 * DAY_S):
        pass
    before_mib = resident_mib()
    begun_s = time.process_time()
    cleanings = sum(each.body.name == "cleaning_started" for each in loop.events(YEAR_DAYS * DAY_S))
    took_s = time.process_time() - begun_s
    factor = (YEAR_DAYS - 10.0) * DAY_S / took_s
    grown_mib = resident_mib() - before_mib
    row("closed loop, a year of two shifts", f"{took_s:.0f} s, {factor:,.0f} x real time", "60 s")
    row("  memory it grew by", f"{grown_mib:.1f} MiB", f"{cleanings} cleanings, below 4 MiB")
    assert loop.samples == YEAR_DAYS * DAY_S + 1
    assert factor >= LEAST_FACTOR
    assert grown_mib < 4.0
