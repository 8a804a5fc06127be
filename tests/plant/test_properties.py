"""What must hold for any run of a collector."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dustcake_sim.plant.advance import advance, operating_point
from dustcake_sim.plant.header import AMBIENT_PA, air_kg
from dustcake_sim.plant.state import Inputs, State, new_state
from dustcake_sim.plant.wear import filters_changed, worn
from plant.plants import COUPLED, SUPPLY_GAUGE_PA

reached: Counter[str] = Counter()

spans = st.lists(
    st.tuples(
        st.floats(0.0, 120.0),
        st.builds(
            Inputs,
            blower_running=st.booleans(),
            dust_kg_m3=st.floats(0.0, 0.05),
            supply_gauge_pa=st.sampled_from([0.0, 200_000.0, SUPPLY_GAUGE_PA]),
            energised=st.sampled_from(
                [(False,) * 4, (True, False, False, False), (False, True, False, True)]
            ),
        ),
    ).map(lambda span: (min(span[0], 2.0) if any(span[1].energised) else span[0], span[1])),
    min_size=1,
    max_size=12,
)


def dust_on_filters_kg(state: State) -> float:
    return sum(state.cake_kg_m2) * COUPLED.row_area_m2


@settings(max_examples=150, deadline=None)
@given(run=spans, start_cake=st.floats(0.0, 0.5), change_at=st.integers(0, 20))
def check_conservation(run: list[tuple[float, Inputs]], start_cake: float, change_at: int) -> None:
    state = new_state(
        COUPLED, cake_kg_m2=start_cake, header_gauge_pa=SUPPLY_GAUGE_PA, blower_speed=1.0
    )
    at_start_kg = dust_on_filters_kg(state)
    for number, (span_s, inputs) in enumerate(run):
        if number == change_at:
            state = filters_changed(COUPLED, worn(state, 5_000.0))
            reached["filters changed"] += 1
        before = state
        state = advance(COUPLED, state, span_s, inputs)
        reached["pulse"] += state.dust_off_kg > before.dust_off_kg
        reached["blower off"] += not inputs.blower_running
        reached["two valves"] += sum(inputs.energised) == 2
        reached["no supply"] += inputs.supply_gauge_pa == 0.0
        point = operating_point(COUPLED, state)
        flow = sum(point.face_velocity_m_s) * COUPLED.row_area_m2
        assert flow == pytest.approx(point.flow_m3_s, rel=1e-9, abs=1e-12)
        assert point.dp_pa >= 0.0
        assert min(state.cake_kg_m2) >= 0.0
        assert state.header_pa >= AMBIENT_PA
        assert state.dust_off_kg >= before.dust_off_kg
        assert state.dust_in_kg >= before.dust_in_kg
    balance_kg = at_start_kg + state.dust_in_kg - state.dust_off_kg
    assert dust_on_filters_kg(state) == pytest.approx(balance_kg, rel=1e-9, abs=1e-9)


def test_no_dust_is_lost_or_made() -> None:
    reached.clear()
    check_conservation()
    for situation in ("filters changed", "pulse", "blower off", "two valves", "no supply"):
        assert reached[situation] >= 10, f"hardly tried: {situation}, {dict(reached)}"


@settings(max_examples=60, deadline=None)
@given(on_s=st.floats(0.03, 1.0), both=st.booleans())
def test_air_leaving_the_header_is_accounted_for(on_s: float, both: bool) -> None:
    start = new_state(COUPLED, header_gauge_pa=SUPPLY_GAUGE_PA)
    inputs = Inputs(
        blower_running=False,
        dust_kg_m3=0.0,
        supply_gauge_pa=0.0,
        energised=(True, both, False, False),
    )
    after = advance(COUPLED, start, on_s, inputs)
    lost_kg = air_kg(COUPLED.header, start.header_pa) - air_kg(COUPLED.header, after.header_pa)
    assert after.air_used_kg == pytest.approx(lost_kg, rel=1e-9)
    assert after.air_used_kg > 0.0


def test_long_tail_of_bad_arguments() -> None:
    state = new_state(COUPLED)
    inputs = Inputs(False, 0.0, 0.0, (False,) * 4)
    with pytest.raises(ValueError, match="backwards"):
        advance(COUPLED, state, -1.0, inputs)
    with pytest.raises(ValueError, match="3 valves given for 4 rows"):
        advance(COUPLED, state, 1.0, replace(inputs, energised=(False,) * 3))
