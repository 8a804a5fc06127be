"""Simulated collectors that differ in everything that matters here, each from its own seed.

Rows, set points, dust, header, instruments and ways of running are drawn anew for each. The core
runs them with the settings' own defaults for doubts and diagnosis.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, replace
from typing import Any

from dustcake.core.requests.kinds import Mode
from dustcake.core.setpoints import Setpoints
from dustcake.settings.model import Collector
from dustcake.settings.setpoints import to_setpoints
from dustcake_loop.closed_loop import ClosedLoop
from dustcake_sim.scenario import parse_scenario

HOUR_S, DAY_S = 3600.0, 86_400.0
SPAN_PA = 2500.0


@dataclass(frozen=True)
class World:
    """A collector to be. ``plant``, ``transmitters``: tables of a scenario file."""

    seed: int
    rows: int
    plant: dict[str, Any]
    transmitters: dict[str, Any]
    dust_g_m3: float
    setpoints: Setpoints


def world(seed: int, *, header: bool = True, mode: Mode = Mode.ON_DEMAND) -> World:
    """The world of a seed."""
    rng = random.Random(f"world {seed}")
    rows = rng.choice((2, 3, 4, 4, 5, 6, 8))
    size = rows / 4
    plant = {
        "rows": rows,
        "row_area_m2": 20.0,
        "removed_scatter": rng.uniform(0.0, 0.12),
        "media": {
            "residual_drag_pa_s_m": rng.uniform(26_000.0, 34_000.0),
            "cake_resistance_per_s": rng.uniform(1.5e5, 3e5),
            "removed_per_pulse": rng.uniform(0.55, 0.8),
            "reference_gauge_pa": 500_000.0,
            "pulse_pressure_pa": 8000.0,
            "full_pulse_s": 0.1,
            "half_load_kg_m2": rng.uniform(0.0, 0.01),
            "blinding_per_s": rng.uniform(0.0, 60.0),
            "held_back": 0.6,
        },
        "drum": {"capacity_kg": 1000.0, "thrown_share": rng.uniform(0.0, 0.2)},
        "fan": {
            "shutoff_pa": 3000.0,
            "curve_pa_s2_m6": 600.0 / size**2,
            "duct_pa_s2_m6": 500.0 / size**2,
        },
        "blower": {"spin_up_s": rng.uniform(1.0, 4.0), "spin_down_s": rng.uniform(3.0, 10.0)},
        "header": {
            "volume_m3": rng.uniform(0.025, 0.06),
            "supply_gauge_pa": rng.uniform(580_000.0, 680_000.0),
            "recharge_time_s": rng.uniform(0.5, 2.5),
            "conductance_m3_s_pa": rng.uniform(4.5e-7, 7e-7),
            "critical_ratio": 0.35,
            "opening_delay_s": 0.02,
        },
    }
    transmitters = {
        "dp": {
            "span_low": 0.0,
            "span_high": SPAN_PA,
            "damping_s": rng.uniform(0.2, 2.5),
            "noise": rng.uniform(1.0, 5.0),
            "resolution": rng.choice((0.1, 0.5, 1.0)),
        },
        "header": {
            "span_low": 0.0,
            "span_high": 1e6,
            "damping_s": rng.uniform(0.05, 0.5),
            "noise": rng.uniform(300.0, 1500.0),
            "resolution": 100.0,
        },
        "flow": {
            "span_low": 0.0,
            "span_high": 5.0,
            "damping_s": 1.0,
            "noise": 0.0,
            "resolution": 0.0,
        },
    }
    interval_s = rng.choice((10.0, 12.0, 15.0, 20.0))
    low_pa = rng.uniform(700.0, 800.0)
    collector = _collector(rows, interval_s, low_pa, low_pa + rng.uniform(180.0, 280.0), rng)
    chosen = to_setpoints(Collector.model_validate(collector))
    # Timed, one pulse is little: the interval is that of a light load.
    timed_s = rng.uniform(60.0, 240.0)
    chosen = replace(chosen, cleaning=replace(chosen.cleaning, mode=mode, timed_interval_s=timed_s))
    if not header:
        chosen = replace(chosen, header=None)
    return World(seed, rows, plant, transmitters, rng.uniform(1.0, 4.0), chosen)


def _collector(
    rows: int, interval_s: float, low_pa: float, high_pa: float, rng: random.Random
) -> dict[str, Any]:
    """Settings as in a file; what is not given has its default."""
    current = {"bus": "b", "kind": "current", "counts": [4000, 20000]}
    return {
        "name": "hall-1",
        "transmitter": {**current, "register": 1, "span": ["0 Pa", f"{SPAN_PA} Pa"]},
        "header": {
            **current,
            "register": 11,
            "span": ["0 bar", "10 bar"],
            "min": "3.5 bar",
            "max": "8 bar",
        },
        "contacts": {
            name: {"bus": "b", "address": n}
            for n, name in enumerate(("blower_running", "process_running"))
        },
        "outputs": {
            "kind": "valves_one_shot",
            "bus": "b",
            "coils": list(range(16, 16 + rows)),
            "one_shot_register": 100,
        },
        "cleaning": {
            "low": f"{low_pa:.1f} Pa",
            "high": f"{high_pa:.1f} Pa",
            "finish_cycle": rng.random() < 0.7,
            "downtime": rng.random() < 0.4,
        },
        "pulsing": {"interval_s": interval_s},
        "alarms": {"low": "100 Pa", "replacement": "1300 Pa", "high": "1600 Pa"},
    }


def at_work(world: World, events: list[dict[str, Any]] | None = None) -> ClosedLoop:
    """Steady work without a break: a day in which much happens takes little time to simulate."""
    return _loop(
        world,
        {"load": [{"at_s": 0.0, "dust_g_m3": world.dust_g_m3}], "event": events or []},
        running=True,
    )


def in_shifts(world: World, events: list[dict[str, Any]] | None = None) -> ClosedLoop:
    """Two shifts on five days, breaks, bursts of dust, and a blower that stops at night."""
    rng = random.Random(f"shifts {world.seed}")
    days = ["mon", "tue", "wed", "thu", "fri"]
    dust_g_m3 = world.dust_g_m3 / 2
    shifts = [
        {
            "days": days,
            "from_h": from_h,
            "to_h": from_h + 8.0,
            "dust_g_m3": dust_g_m3 * rng.uniform(0.5, 1.2),
            "breaks": [{"from_h": from_h + 4.0, "to_h": from_h + rng.choice((4.5, 5.0))}],
        }
        for from_h in (6.0, 14.0)
    ]
    bursts = {"mean_every_s": 5000.0, "length_s": rng.uniform(100.0, 600.0), "factor": 3.0}
    return _loop(world, {"shift": shifts, "bursts": bursts, "event": events or []}, running=False)


def _loop(world: World, how: dict[str, Any], *, running: bool) -> ClosedLoop:
    scenario = parse_scenario(
        {
            "title": f"world {world.seed}",
            "blower_control": "local",
            "plant": world.plant,
            "transmitters": world.transmitters,
            "start": {
                "blower_running": running,
                "process_equipment": running,
                "cake_kg_m2": 0.05,
            },
            **how,
        },
        f"world {world.seed}",
    )
    return ClosedLoop(scenario, world.setpoints, seed=world.seed)
