"""What must hold for any run of a collector."""

from __future__ import annotations

from collections import Counter
from copy import deepcopy
from dataclasses import replace
from math import inf

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dustcake_sim.plant.advance import advance, operating_point
from dustcake_sim.plant.air import REFERENCE_AIR, air_at
from dustcake_sim.plant.header import AMBIENT_PA, AirSupply, air_kg
from dustcake_sim.plant.pulse import Drum, removed_share
from dustcake_sim.plant.state import Inputs, Plant, State, new_state
from dustcake_sim.plant.wear import filters_changed, torn, worn
from examples import examples, explore
from plant.plants import COUPLED, SUPPLY_GAUGE_PA

spans = st.lists(
    st.tuples(
        st.floats(0.0, 120.0),
        st.builds(
            Inputs,
            blower_running=st.booleans(),
            dust_kg_m3=st.floats(0.0, 0.05),
            supply=st.builds(
                AirSupply,
                st.sampled_from([0.0, 200_000.0, SUPPLY_GAUGE_PA]),
                st.sampled_from([inf, 0.002, 0.0]),
                st.sampled_from([0.0, 2e-9]),
            ),
            damper=st.sampled_from([1.0, 0.6, 0.0]),
            stickiness=st.sampled_from([1.0, 2.5]),
            air=st.sampled_from([REFERENCE_AIR, air_at(323.15, 95_461.0, 0.5)]),
            energised=st.sampled_from(
                [(False,) * 4, (True, False, False, False), (False, True, False, True)]
            ),
        ),
    ).map(lambda span: (min(span[0], 2.0) if any(span[1].energised) else span[0], span[1])),
    min_size=1,
    max_size=12,
)


EVERYTHING = replace(
    COUPLED,
    media=replace(
        COUPLED.media,
        new_drag_pa_s_m=25_000.0,
        blinding_per_s=500.0,
        compression_s_m=5.0,
        half_load_kg_m2=0.02,
        pulse_pressure_pa=3000.0,
        full_pulse_s=0.1,
        held_back=0.8,
    ),
    drum=Drum(capacity_kg=1.0, thrown_share=0.2, raised_share=0.3),
    row_cleaning=(1.0, 0.9, 1.1, 0.8),
)


def dust_on_filters_kg(state: State) -> float:
    return sum(state.cake_kg_m2) * COUPLED.row_area_m2


def check_step(plant: Plant, before: State, state: State, inputs: Inputs, span_s: float) -> None:
    point = operating_point(plant, state, inputs.air, inputs.damper)
    through_rows = sum(point.face_velocity_m_s) * plant.row_area_m2
    if not any(state.hole_m2):
        assert through_rows == pytest.approx(point.flow_m3_s, rel=1e-9, abs=1e-12)
    assert point.dp_pa >= 0.0
    assert min(state.cake_kg_m2) >= 0.0
    # Shut at ambient pressure while still warm from filling, it falls a little below.
    assert state.header_pa >= 0.9 * AMBIENT_PA
    assert 0.5 < state.header_pa / (state.header_kg / air_kg(plant.header, 1.0)) < 1.5
    assert state.dust_off_kg >= before.dust_off_kg
    assert state.dust_in_kg >= before.dust_in_kg
    # Air into the tank, less what left it, is what stays in it.
    gained_kg = state.header_kg - before.header_kg
    supplied, used, leaked = (
        getattr(state, name) - getattr(before, name)
        for name in ("air_supplied_kg", "air_used_kg", "air_leaked_kg")
    )
    assert min(supplied, used, leaked) >= 0.0
    assert supplied - used - leaked == pytest.approx(gained_kg, rel=1e-9, abs=1e-10)
    if inputs.supply.most_kg_s < inf:
        assert supplied <= inputs.supply.most_kg_s * span_s * (1.0 + 1e-9) + 1e-12


@pytest.mark.parametrize("plant", [COUPLED, EVERYTHING], ids=["plain", "everything"])
def test_no_dust_and_no_air_is_lost_or_made(plant: Plant) -> None:
    reached: Counter[str] = Counter()

    @given(
        run=spans,
        start_cake=st.floats(0.0, 0.5),
        change_at=st.integers(0, 10),
        tear_at=st.integers(0, 5),
    )
    def check(
        run: list[tuple[float, Inputs]], start_cake: float, change_at: int, tear_at: int
    ) -> None:
        state = new_state(
            plant, cake_kg_m2=start_cake, header_gauge_pa=SUPPLY_GAUGE_PA, blower_speed=1.0
        )
        at_start_kg = dust_on_filters_kg(state)
        carried_kg = 0.0
        for number, (span_s, inputs) in enumerate(run):
            if number == change_at:
                carried_kg = dust_on_filters_kg(state)
                state = filters_changed(plant, worn(state, 5_000.0))
                reached["filters changed"] += 1
            if number == tear_at:
                state = torn(state, 1, 2e-4)
                reached["torn"] += 1
            before, given = state, deepcopy((state, inputs))
            state = advance(plant, state, span_s, inputs)
            assert (before, inputs) == given, "what it was given is not its to change"
            reached["pulse"] += state.dust_off_kg > before.dust_off_kg
            reached["blower off"] += not inputs.blower_running
            reached["two valves"] += sum(inputs.energised) == 2
            reached["no supply"] += inputs.supply.gauge_pa == 0.0
            reached["leak"] += state.air_leaked_kg > before.air_leaked_kg
            reached["emission"] += state.emitted_kg > before.emitted_kg
            reached["refill"] += state.air_supplied_kg > before.air_supplied_kg
            reached["full drum"] += state.drum_kg > 1.0
            check_step(plant, before, state, inputs, span_s)
        balance_kg = at_start_kg + state.dust_in_kg - state.dust_off_kg
        assert dust_on_filters_kg(state) == pytest.approx(balance_kg, rel=1e-9, abs=1e-9)
        assert state.drum_kg == pytest.approx(state.dust_off_kg - carried_kg, rel=1e-9, abs=1e-9)

    situations = (
        "filters changed", "torn", "pulse", "blower off", "two valves", "no supply", "leak",
        "emission", "refill", "full drum",
    )  # fmt: skip
    explore(check, 120, reached, dict.fromkeys(situations, 10))


conditions = st.builds(
    Inputs,
    blower_running=st.just(True),
    dust_kg_m3=st.floats(1e-4, 0.02),
    supply=st.just(AirSupply(SUPPLY_GAUGE_PA)),
    energised=st.just((False,) * 4),
    stickiness=st.floats(1.0, 3.0),
    damper=st.floats(0.3, 1.0),
    air=st.builds(air_at, st.floats(273.15, 343.15), st.floats(75_000.0, 102_000.0)),
)
cakes = st.tuples(*[st.floats(0.0, 0.5)] * 4)


def loaded(plant: Plant, cake: tuple[float, ...], holes_m2: float = 0.0) -> State:
    start = new_state(plant, header_gauge_pa=SUPPLY_GAUGE_PA, blower_speed=1.0)
    return torn(replace(start, cake_kg_m2=cake), 0, holes_m2)


@examples(100)
@given(cake=cakes, inputs=conditions, row=st.integers(0, 3), more=st.floats(1e-3, 0.2))
@pytest.mark.parametrize("plant", [COUPLED, EVERYTHING], ids=["plain", "everything"])
def test_more_cake_means_more_dp_and_less_flow(
    plant: Plant, cake: tuple[float, ...], inputs: Inputs, row: int, more: float
) -> None:
    heavier = tuple(each + more if n == row else each for n, each in enumerate(cake))
    light, heavy = (
        operating_point(plant, loaded(plant, each), inputs.air, inputs.damper)
        for each in (cake, heavier)
    )
    assert heavy.dp_pa > light.dp_pa
    assert heavy.flow_m3_s < light.flow_m3_s
    assert heavy.face_velocity_m_s[row] < light.face_velocity_m_s[row]


@examples(100)
@given(cake=cakes, inputs=conditions, hole_m2=st.floats(1e-6, 1e-2))
@pytest.mark.parametrize("plant", [COUPLED, EVERYTHING], ids=["plain", "everything"])
def test_a_hole_lowers_dp_and_a_damper_lowers_both(
    plant: Plant, cake: tuple[float, ...], inputs: Inputs, hole_m2: float
) -> None:
    whole = operating_point(plant, loaded(plant, cake), inputs.air, inputs.damper)
    holed = operating_point(plant, loaded(plant, cake, hole_m2), inputs.air, inputs.damper)
    throttled = operating_point(plant, loaded(plant, cake), inputs.air, inputs.damper * 0.9)
    assert holed.dp_pa < whole.dp_pa
    assert holed.flow_m3_s > whole.flow_m3_s
    assert throttled.dp_pa < whole.dp_pa
    assert throttled.flow_m3_s < whole.flow_m3_s


@examples(100)
@given(
    gauge_pa=st.floats(0.0, 7e5),
    better_pa=st.floats(1e3, 2e5),
    cake=st.floats(1e-3, 0.5),
    dp_pa=st.floats(0.0, 2000.0),
    stickiness=st.floats(1.0, 3.0),
)
def test_a_pulse_is_never_better_for_less_air_or_more_dp(
    gauge_pa: float, better_pa: float, cake: float, dp_pa: float, stickiness: float
) -> None:
    media = EVERYTHING.media
    share = removed_share(media, gauge_pa, cake_kg_m2=cake, dp_pa=dp_pa, stickiness=stickiness)
    stronger = removed_share(
        media, gauge_pa + better_pa, cake_kg_m2=cake, dp_pa=dp_pa, stickiness=stickiness
    )
    against = removed_share(
        media, gauge_pa, cake_kg_m2=cake, dp_pa=dp_pa + 100.0, stickiness=stickiness
    )
    thicker = removed_share(
        media, gauge_pa, cake_kg_m2=cake * 1.5, dp_pa=dp_pa, stickiness=stickiness
    )
    stickier = removed_share(
        media, gauge_pa, cake_kg_m2=cake, dp_pa=dp_pa, stickiness=stickiness * 1.2
    )
    assert 0.0 <= against <= share <= stronger <= 1.0
    assert stickier <= share <= thicker


@examples(40)
@given(cake=cakes, inputs=conditions, hole_m2=st.sampled_from([0.0, 1e-3]))
@pytest.mark.parametrize(
    ("plant", "tolerance"),
    # Dust raised onto the very row that is being blown is taken off again bit by bit.
    [(COUPLED, 1e-5), (EVERYTHING, 1e-3)],
    ids=["plain", "everything"],
)
def test_dp_does_not_depend_on_the_step(
    plant: Plant, tolerance: float, cake: tuple[float, ...], inputs: Inputs, hole_m2: float
) -> None:
    # Full from the start: a drum that fills in the middle of a pulse is a jump, not a step's error.
    plant = replace(plant, drum=replace(plant.drum, capacity_kg=0.0))
    start = loaded(plant, cake, hole_m2)
    pulsing = replace(inputs, energised=(False, True, False, False))

    def dp_pa(parts: int) -> float:
        state = start
        for span_s, acting in ((1800.0, inputs), (0.12, pulsing), (1800.0, inputs)):
            for _ in range(parts):
                state = advance(plant, state, span_s / parts, acting)
        return operating_point(plant, state, inputs.air, inputs.damper).dp_pa

    assert dp_pa(2) == pytest.approx(dp_pa(1), rel=tolerance)
    assert dp_pa(40) == pytest.approx(dp_pa(1), rel=tolerance)


def test_long_tail_of_bad_arguments() -> None:
    state = new_state(COUPLED)
    inputs = Inputs(False, 0.0, AirSupply(0.0), (False,) * 4)
    with pytest.raises(ValueError, match="backwards"):
        advance(COUPLED, state, -1.0, inputs)
    with pytest.raises(ValueError, match="3 valves given for 4 rows"):
        advance(COUPLED, state, 1.0, replace(inputs, energised=(False,) * 3))
