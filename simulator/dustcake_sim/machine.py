"""The simulated collector as one machine: plant, instruments, output module and scenario.

It has a time of its own, in seconds from the start, and is moved along it by `advance_to`; it
reads no clock. All physics runs on a fixed grid of `STEP_S`, so the same seed and the same writes
give the same run.

What `speed` means
    The machine's time is the wall's time. Everything a controller times at the wire stays true
    to it: solenoid on-times, one-shot time, watchdog, sequencer, opening of the diaphragms,
    header recharge, blower spin-up and spin-down, damping of the transmitters.
    What is slow in a plant runs `speed` times faster: the scenario's clock (events, load profile,
    growth of wear) and the loading with dust. The loading is sped up by letting `speed` times as
    much dust into the air, which is the same thing as the cake growing `speed` times faster, so
    the physics itself knows nothing of it.
    The cost: cleaning takes as long as ever, so at a high speed more dust arrives during one
    cleaning than it would in life. Filter life, air use per hour and the like must be studied at
    speed 1.
"""

from __future__ import annotations

import logging
import random
from collections import deque
from dataclasses import dataclass, replace

from dustcake_sim.events import (
    BlowerSwitched,
    BlowerTripped,
    ContactSwitched,
    DustChanged,
    Event,
    FieldbusFault,
    FiltersChanged,
    FiltersWorn,
    HeaderSupply,
    SensingLineFault,
    TransmitterFailed,
    ValveFault,
    ZeroDrift,
)
from dustcake_sim.instruments import SensingLine, Transmitter, sensed_dp_pa
from dustcake_sim.outputs import OutputModule
from dustcake_sim.plant.advance import advance, operating_point
from dustcake_sim.plant.header import AMBIENT_PA
from dustcake_sim.plant.state import Inputs, OperatingPoint, State
from dustcake_sim.plant.wear import filters_changed, worn
from dustcake_sim.scenario import Scenario, build_plant, build_start, build_transmitter

STEP_S = 0.01
"""Grid of the physics, s: a tenth of a usual pulse."""

_log = logging.getLogger(__name__)


@dataclass(slots=True)
class _Wear:
    rate_pa_s_m_per_s: float
    left_s: float


class Machine:
    """A collector under a scenario. Single-threaded; move it with `advance_to`."""

    def __init__(self, scenario: Scenario, *, speed: float = 1.0, seed: int = 0) -> None:
        """Stand at the beginning of `scenario`. Raises ValueError unless `speed` is positive."""
        if not speed > 0.0:
            raise ValueError(f"speed is {speed}: give a positive number, 1 for real time")
        self.scenario = scenario
        self.speed = speed
        self.plant = build_plant(scenario)
        self.state: State = build_start(scenario, self.plant)
        self.point: OperatingPoint = operating_point(self.plant, self.state)
        self.outputs = OutputModule(self.plant.rows)
        self.contacts = {
            "smoke": False,
            "door_open": False,
            "process_equipment": scenario.start.process_equipment,
        }
        self.blower_tripped = False
        self.fieldbus_silent = False
        self.sensing_line = SensingLine.CLEAR
        rng = random.Random(seed)
        tables = scenario.transmitters
        self.dp = Transmitter(build_transmitter(tables.dp), rng, self.point.dp_pa)
        self.header = Transmitter(build_transmitter(tables.header), rng, self.state.header_gauge_pa)
        self.flow = Transmitter(build_transmitter(tables.flow), rng, self.point.flow_m3_s)
        self._steps = 0
        self._started_by_hand = scenario.start.blower_running
        self._dust_factor = 1.0
        self._supply_gauge_pa = scenario.plant.header.supply_gauge_pa
        self._valve_faults = ["none"] * self.plant.rows
        self._wear: list[_Wear] = []
        self._pending: deque[Event] = deque(scenario.event)
        self._apply_due()

    @property
    def t_s(self) -> float:
        """Machine time, s, up to which the physics has run."""
        return self._steps * STEP_S

    @property
    def scenario_s(self) -> float:
        """The scenario's clock, s."""
        return self.t_s * self.speed

    @property
    def blower_running(self) -> bool:
        """Whether the blower's starter is closed."""
        if self.blower_tripped:
            return False
        if self.scenario.blower_control == "remote":
            return self.outputs.blower_request
        return self._started_by_hand

    def advance_to(self, t_s: float) -> None:
        """Run the physics on the grid up to `t_s`, and the outputs to it exactly."""
        while (self._steps + 1) * STEP_S <= t_s:
            self._step()
        self.outputs.settle(t_s)

    def apply(self, event: Event) -> None:
        """Let an event happen now, whatever its `at_s` says."""
        _log.info("event", extra={"t_s": round(self.scenario_s, 3), "happened": event})
        match event:
            case BlowerSwitched():
                self._started_by_hand = event.running
            case BlowerTripped():
                self.blower_tripped = event.tripped
            case DustChanged():
                self._dust_factor = event.factor
            case FiltersWorn():
                self._begin_wear(event)
            case FiltersChanged():
                self._wear.clear()
                self.state = filters_changed(self.plant, self.state)
            case ContactSwitched():
                self.contacts[event.contact] = event.closed
            case HeaderSupply():
                self._supply_gauge_pa = event.gauge_pa
                if event.blow_down:
                    pressure_pa = min(self.state.header_pa, AMBIENT_PA + event.gauge_pa)
                    self.state = replace(self.state, header_pa=pressure_pa)
            case TransmitterFailed():
                transmitters = {"dp": self.dp, "header": self.header, "flow": self.flow}
                transmitters[event.transmitter].fail(event.fault, event.current_ma)
            case ZeroDrift():
                self.dp.zero_error = event.offset_pa
            case SensingLineFault():
                self.sensing_line = event.line
            case ValveFault():
                self._valve_faults[event.valve - 1] = event.fault
            case FieldbusFault():
                self.fieldbus_silent = event.silent

    def _begin_wear(self, event: FiltersWorn) -> None:
        if event.over_s == 0.0:
            self.state = worn(self.state, event.added_drag_pa_s_m)
        else:
            self._wear.append(_Wear(event.added_drag_pa_s_m / event.over_s, event.over_s))

    def _apply_due(self) -> None:
        while self._pending and self._pending[0].at_s <= self.scenario_s:
            self.apply(self._pending.popleft())

    def _step(self) -> None:
        end_s = (self._steps + 1) * STEP_S
        self.outputs.settle(self.t_s)
        inputs = Inputs(
            blower_running=self.blower_running,
            dust_kg_m3=self.scenario.dust_kg_m3(self.scenario_s) * self._dust_factor * self.speed,
            supply_gauge_pa=self._supply_gauge_pa,
            energised=self._diaphragms(),
        )
        self.state = advance(self.plant, self.state, STEP_S, inputs)
        if self._wear:
            self._grow_wear(STEP_S * self.speed)
        self._steps += 1
        self.outputs.settle(end_s)
        self._apply_due()
        self._measure()

    def _diaphragms(self) -> tuple[bool, ...]:
        energised = self.outputs.energised()
        return tuple(
            fault == "stuck_open" or (on and fault != "stuck_closed")
            for on, fault in zip(energised, self._valve_faults, strict=True)
        )

    def _grow_wear(self, scenario_dt_s: float) -> None:
        for wear in self._wear:
            span_s = min(scenario_dt_s, wear.left_s)
            self.state = worn(self.state, wear.rate_pa_s_m_per_s * span_s)
            wear.left_s -= span_s
        self._wear = [wear for wear in self._wear if wear.left_s > 0.0]

    def _measure(self) -> None:
        self.point = operating_point(self.plant, self.state)
        sensed_pa = sensed_dp_pa(self.sensing_line, self.point)
        self.dp.update(sensed_pa, STEP_S, plugged=self.sensing_line is SensingLine.PLUGGED)
        self.header.update(self.state.header_gauge_pa, STEP_S)
        self.flow.update(self.point.flow_m3_s, STEP_S)
