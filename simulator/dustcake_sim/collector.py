"""The simulated collector: plant, sensing lines, transmitters and contacts under a scenario.

It has no time of its own and does only what it is made to: `happen` what is due by the scenario's
clock, `move` the physics, and have the transmitters look. `machine` drives it on a fixed grid in
real time, `closed_loop` in leaps.
"""

from __future__ import annotations

import logging
import math
import random
from collections import deque
from collections.abc import Sequence
from dataclasses import replace
from typing import Literal

from dustcake_sim.dust import DAY_S, Work
from dustcake_sim.events import (
    BlowerSwitched,
    BlowerTripped,
    ContactSwitched,
    DamperSet,
    DampingSet,
    DrumEmptied,
    DustChanged,
    DustSticky,
    Event,
    FieldbusFault,
    FiltersChanged,
    FiltersWorn,
    FilterTorn,
    HeaderSupply,
    RowCleaning,
    SensingLineFault,
    TransmitterAged,
    TransmitterFailed,
    ValveFault,
    WeatherChanged,
    ZeroDrift,
)
from dustcake_sim.instruments import Transmitter
from dustcake_sim.plant.advance import advance, operating_point
from dustcake_sim.plant.air import REFERENCE_AIR, Air, air_at
from dustcake_sim.plant.header import AirSupply
from dustcake_sim.plant.record import record
from dustcake_sim.plant.state import Inputs, OperatingPoint, State
from dustcake_sim.plant.tank import unsettled_pa
from dustcake_sim.plant.wear import drum_emptied, filters_changed, header_vented, torn, worn
from dustcake_sim.scenario import (
    Scenario,
    build_plant,
    build_start,
    build_supply,
    build_transmitter,
)
from dustcake_sim.sensing import Sensing

_log = logging.getLogger(__name__)


_WEAR_STEP_S = 20.0
_DRIFT_PER_STEP_PA = 0.01
_SPAN_PER_STEP = 1e-5  # of a reading: 0.01 Pa at 1000 Pa


@record
class _Wear:
    rate_pa_s_m_per_s: float
    left_s: float
    row: int | None


@record
class Moment:
    """Everything about a collector that moving along changes."""

    state: State
    point: OperatingPoint
    wear: tuple[_Wear, ...]
    transmitters: tuple[tuple[float, float, float, float], ...]


class Collector:
    """A collector under a scenario. Single-threaded."""

    def __init__(self, scenario: Scenario, *, seed: int = 0) -> None:
        """Stand at the beginning of `scenario`, before anything has happened."""
        self.scenario = scenario
        self._seed = seed
        self.plant = build_plant(scenario, seed)
        self.state: State = build_start(scenario, self.plant)
        self.air: Air = REFERENCE_AIR
        if scenario.plant.altitude_m != 0.0:
            self.air = air_at(293.15, self.plant.ambient_pa)
        self.damper = 1.0
        self.stickiness = 1.0
        self.supply: AirSupply = build_supply(scenario)
        self.point: OperatingPoint = operating_point(self.plant, self.state, self.air)
        self.contacts = {
            "smoke": False,
            "door_open": False,
            "process_equipment": scenario.start.process_equipment,
            "drum_full": False,
        }
        self.blower_tripped = False
        self.fieldbus_silent = False
        self.sensing = Sensing()
        rng = random.Random(seed)
        tables = scenario.transmitters
        self.dp = Transmitter(build_transmitter(tables.dp), rng, self.point.dp_pa)
        self.header = Transmitter(build_transmitter(tables.header), rng, self.state.header_gauge_pa)
        self.flow = Transmitter(build_transmitter(tables.flow), rng, self.point.flow_m3_s)
        self._dust = scenario.dust_profile(seed)
        self._work: Work = self._dust.at(0.0)
        self._dust_factor = 1.0
        self._started_by_hand = scenario.start.blower_running
        self._valve_faults = ["none"] * self.plant.rows
        self._wear: tuple[_Wear, ...] = ()
        self._zero_pa_per_s = self._span_per_s = 0.0
        self._pending: deque[Event] = deque(scenario.event)
        if scenario.shift:
            self._follow_shift(None)

    # --- what happens to it

    def happen(self, scenario_s: float) -> None:
        """Let everything happen that is due by this time of the scenario."""
        if scenario_s < self.next_happening_s():
            return
        while self._pending and self._pending[0].at_s <= scenario_s:
            self.apply(self._pending.popleft(), scenario_s)
        if scenario_s >= self._work.until_s:
            before = self._work
            self._work = self._dust.at(scenario_s)
            if self.scenario.shift:
                self._follow_shift(before)
        self._operate()

    def next_happening_s(self) -> float:
        """Scenario time at which `happen` has something to do next; infinite if never again."""
        event_s = self._pending[0].at_s if self._pending else math.inf
        return min(event_s, self._work.until_s)

    def _follow_shift(self, before: Work | None) -> None:
        """Only at its edges, so that an event in between keeps what it has switched."""
        if before is None or before.working is not self._work.working:
            self.contacts["process_equipment"] = self._work.working
        if before is None or before.manned is not self._work.manned:
            self._started_by_hand = bool(self._work.manned)

    def apply(self, event: Event, scenario_s: float) -> None:
        """Let an event happen at this time of the scenario, whatever its `at_s` says."""
        _log.info("event", extra={"t_s": round(scenario_s, 3), "happened": event})
        match event:
            case BlowerSwitched():
                self._started_by_hand = event.running
            case BlowerTripped():
                self.blower_tripped = event.tripped
            case DustChanged():
                self._dust_factor = event.factor
            case DustSticky():
                self.stickiness = event.factor
            case FiltersWorn():
                self._begin_wear(event)
            case RowCleaning():
                self._set_row_cleaning(event.row - 1, event.share)
            case FiltersChanged():
                self._wear = ()
                self.state = filters_changed(self.plant, self.state)
            case FilterTorn():
                self.state = torn(self.state, event.row - 1, event.hole_mm2 * 1e-6)
            case DrumEmptied():
                self.state = drum_emptied(self.state)
            case DamperSet():
                self.damper = event.opening
            case WeatherChanged():
                kelvin = 273.15 + event.temperature_c
                self.air = air_at(kelvin, self.plant.ambient_pa, event.relative_humidity)
            case ContactSwitched():
                self.contacts[event.contact] = event.closed
            case HeaderSupply():
                self._change_supply(event)
            case TransmitterFailed():
                self._transmitter(event.transmitter).fail(event.fault, event.current_ma)
            case DampingSet():
                one = self._transmitter(event.transmitter)
                one.spec = replace(one.spec, damping_s=event.damping_s)
            case TransmitterAged():
                self._zero_pa_per_s = event.zero_pa_per_day / DAY_S
                self._span_per_s = event.span_per_day / DAY_S
            case ZeroDrift():
                self.dp.zero_error = event.offset_pa
            case SensingLineFault():
                self.sensing = Sensing(
                    event.line, scenario_s, event.over_s, event.share, event.column_pa
                )
            case ValveFault():
                self._valve_faults[event.valve - 1] = event.fault
            case FieldbusFault():
                self.fieldbus_silent = event.silent

    def _transmitter(self, name: Literal["dp", "header", "flow"]) -> Transmitter:
        return {"dp": self.dp, "header": self.header, "flow": self.flow}[name]

    def _begin_wear(self, event: FiltersWorn) -> None:
        row = None if event.row is None else event.row - 1
        if event.over_s == 0.0:
            self.state = worn(self.state, event.added_drag_pa_s_m, row)
        else:
            rate = event.added_drag_pa_s_m / event.over_s
            self._wear = (*self._wear, _Wear(rate, event.over_s, row))

    def _set_row_cleaning(self, row: int, share: float) -> None:
        """As a share of what the row had when it was built, so that 1 mends it."""
        built = build_plant(self.scenario, self._seed).row_cleaning
        now = (*self.plant.row_cleaning[:row], share * built[row])
        self.plant = replace(self.plant, row_cleaning=now + self.plant.row_cleaning[row + 1 :])

    def _change_supply(self, event: HeaderSupply) -> None:
        now = self.supply
        self.supply = AirSupply(
            now.gauge_pa if event.gauge_pa is None else event.gauge_pa,
            now.most_kg_s if event.compressor_kg_s is None else event.compressor_kg_s,
            now.leak_m3_s_pa if event.leak_m3_s_pa is None else event.leak_m3_s_pa,
        )
        if event.recharge_time_s is not None:
            header = replace(self.plant.header, recharge_time_s=event.recharge_time_s)
            self.plant = replace(self.plant, header=header)
        if event.blow_down:
            self.state = header_vented(self.state, self.supply.gauge_pa)

    # --- what it does

    def blower_running(self, requested: bool) -> bool:
        """Whether the blower's starter is closed; `requested`: by the coil on the fieldbus."""
        if self.blower_tripped:
            return False
        return requested if self.scenario.blower_control == "remote" else self._started_by_hand

    def drum_full(self) -> bool:
        """Whether the level contact of the drum is made."""
        capacity_kg = self.plant.drum.capacity_kg
        full = capacity_kg is not None and self.state.drum_kg >= capacity_kg
        return full or self.contacts["drum_full"]

    def valves_stuck_open(self) -> bool:
        """Whether air blows through a valve that nobody has energised."""
        return "stuck_open" in self._valve_faults

    def header_unsettled_pa(self) -> float:
        """How far, Pa, warming or cooling has yet to take the header's pressure."""
        return unsettled_pa(self.plant.header, self.state.header_pa, self.state.header_kg)

    def longest_step_s(self, scenario_s: float) -> float:
        """Longest span, s, that may be taken in one: over it wear, drift and what a plug that
        closes does to the lag are small."""
        return min(
            self._ageing_step_s(), self.sensing.even_for_s(scenario_s, self.dp.spec.damping_s)
        )

    def _ageing_step_s(self) -> float:
        longest_s = _WEAR_STEP_S if self._wear else math.inf
        if self._zero_pa_per_s != 0.0:
            longest_s = min(longest_s, _DRIFT_PER_STEP_PA / abs(self._zero_pa_per_s))
        if self._span_per_s != 0.0:
            longest_s = min(longest_s, _SPAN_PER_STEP / abs(self._span_per_s))
        return longest_s

    def moment(self) -> Moment:
        """How it stands now, to come back to."""
        saved = (self.dp.saved(), self.header.saved(), self.flow.saved())
        return Moment(self.state, self.point, self._wear, saved)

    def back_to(self, moment: Moment) -> None:
        """Stand as at that moment; nothing must have happened since but `move`."""
        self.state, self.point, self._wear = moment.state, moment.point, moment.wear
        transmitters = (self.dp, self.header, self.flow)
        for each, saved in zip(transmitters, moment.transmitters, strict=True):
            each.restore(saved)

    def move(
        self, dt_s: float, blower_requested: bool, energised: Sequence[bool], speed: float = 1.0
    ) -> None:
        """Run the physics for `dt_s`; what is slow in a plant runs `speed` times faster."""
        inputs = Inputs(
            blower_running=self.blower_running(blower_requested),
            dust_kg_m3=self._work.dust_g_m3 / 1000.0 * self._dust_factor * speed,
            supply=self.supply,
            energised=tuple(
                fault == "stuck_open" or (on and fault != "stuck_closed")
                for on, fault in zip(energised, self._valve_faults, strict=True)
            ),
            stickiness=self.stickiness,
            damper=self.damper,
            air=self.air,
        )
        if self._ageing_step_s() == math.inf:
            self.state = advance(self.plant, self.state, dt_s, inputs)
        else:
            # Half before and half after: as good as wear and drift going on all the while.
            self._age(dt_s * speed / 2.0)
            self.state = advance(self.plant, self.state, dt_s, inputs)
            self._age(dt_s * speed / 2.0)
        self._operate()

    def release(self, energised: Sequence[bool]) -> None:
        """Valves no longer energised shut at this instant, and their rows take air again."""
        if not any(self.state.energised_s):
            return
        held = zip(self.state.energised_s, energised, self._valve_faults, strict=True)
        since_s = tuple(was_s if on or fault == "stuck_open" else 0.0 for was_s, on, fault in held)
        if since_s != self.state.energised_s:
            self.state = replace(self.state, energised_s=since_s)
            self._operate()

    def _operate(self) -> None:
        self.point = operating_point(self.plant, self.state, self.air, self.damper)

    def _age(self, scenario_dt_s: float) -> None:
        if self._wear:
            for wear in self._wear:
                span_s = min(scenario_dt_s, wear.left_s)
                self.state = worn(self.state, wear.rate_pa_s_m_per_s * span_s, wear.row)
            self._wear = tuple(
                replace(wear, left_s=wear.left_s - scenario_dt_s)
                for wear in self._wear
                if wear.left_s > scenario_dt_s
            )
        self.dp.zero_error += self._zero_pa_per_s * scenario_dt_s
        self.dp.span_error += self._span_per_s * scenario_dt_s

    def sensed_pa(self) -> float:
        """The dP, Pa, that the sensing lines bring, after any time they take."""
        return self.sensing.dp_pa(self.point)

    def dp_lag_s(self, scenario_s: float) -> float:
        """Time constant, s, of sensing lines and dP transmitter."""
        return self.sensing.lag_s(scenario_s, self.dp.spec.damping_s)
