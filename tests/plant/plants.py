"""Collectors for tests of the physics."""

from __future__ import annotations

from dataclasses import replace

from dustcake_sim.plant.advance import advance
from dustcake_sim.plant.fan import Blower, Duct, Fan
from dustcake_sim.plant.header import AirSupply, Header
from dustcake_sim.plant.media import Media
from dustcake_sim.plant.state import Inputs, Plant, State

SUPPLY_GAUGE_PA = 620_000.0

MEDIA = Media(
    residual_drag_pa_s_m=40_000.0,
    cake_resistance_per_s=1e5,
    removed_per_pulse=0.6,
    reference_gauge_pa=500_000.0,
)
HEADER = Header(
    volume_m3=0.030,
    recharge_time_s=0.6,
    conductance_m3_s_pa=6.0e-7,
    critical_ratio=0.35,
    opening_delay_s=0.02,
)
COUPLED = Plant(
    rows=4,
    row_area_m2=20.0,
    media=MEDIA,
    fan=Fan(shutoff_pa=3000.0, curve_pa_s2_m6=600.0),
    duct=Duct(resistance_pa_s2_m6=500.0),
    blower=Blower(spin_up_s=2.0, spin_down_s=6.0),
    header=HEADER,
)


def constant_flow(flow_m3_s: float) -> Plant:
    """The same collector behind a fan so strong that the filters do not slow it."""
    strength_pa = 1e11
    fan = Fan(shutoff_pa=strength_pa, curve_pa_s2_m6=strength_pa / flow_m3_s**2)
    return replace(COUPLED, fan=fan, duct=Duct(0.0))


def constant_dp(dp_pa: float) -> Plant:
    """The same collector behind a fan that holds one pressure."""
    return replace(COUPLED, fan=Fan(dp_pa, 0.0), duct=Duct(0.0))


def loading(plant: Plant, dust_kg_m3: float = 1e-3) -> Inputs:
    """Blower running, no pulse."""
    return Inputs(
        blower_running=True,
        dust_kg_m3=dust_kg_m3,
        supply=AirSupply(SUPPLY_GAUGE_PA),
        energised=(False,) * plant.rows,
    )


def pulsed(plant: Plant, state: State, row: int, inputs: Inputs, on_s: float = 0.1) -> State:
    """The state after one pulse on `row` and time for the header to recover."""
    energised = tuple(each == row for each in range(plant.rows))
    state = advance(plant, state, on_s, replace(inputs, energised=energised))
    return advance(plant, state, 10.0, replace(inputs, energised=(False,) * plant.rows))
