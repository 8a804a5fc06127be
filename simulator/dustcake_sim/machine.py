"""The simulated collector as one machine: a collector, its output module and a clock.

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

from dustcake_sim.collector import Collector
from dustcake_sim.events import Event
from dustcake_sim.outputs import OutputModule
from dustcake_sim.plant.state import OperatingPoint, State
from dustcake_sim.scenario import Scenario
from dustcake_sim.sensing import SensingLine

STEP_S = 0.01
"""Grid of the physics, s: a tenth of a usual pulse."""


class Machine:
    """A collector under a scenario. Single-threaded; move it with `advance_to`."""

    def __init__(self, scenario: Scenario, *, speed: float = 1.0, seed: int = 0) -> None:
        """Stand at the beginning of `scenario`. Raises ValueError unless `speed` is positive."""
        if not speed > 0.0:
            raise ValueError(f"speed is {speed}: give a positive number, 1 for real time")
        self.scenario = scenario
        self.speed = speed
        self.collector = Collector(scenario, seed=seed)
        self.dp = self.collector.dp
        self.header = self.collector.header
        self.flow = self.collector.flow
        self.outputs = OutputModule(self.collector.plant.rows)
        self._steps = 0
        self.collector.happen(0.0)

    @property
    def t_s(self) -> float:
        """Machine time, s, up to which the physics has run."""
        return self._steps * STEP_S

    @property
    def scenario_s(self) -> float:
        """The scenario's clock, s."""
        return self.t_s * self.speed

    @property
    def state(self) -> State:
        """The plant's state."""
        return self.collector.state

    @property
    def point(self) -> OperatingPoint:
        """What the plant does with air."""
        return self.collector.point

    @property
    def contacts(self) -> dict[str, bool]:
        """The site's contacts, by name."""
        return self.collector.contacts

    @property
    def fieldbus_silent(self) -> bool:
        """Whether the device does not answer on the wire."""
        return self.collector.fieldbus_silent

    @property
    def blower_running(self) -> bool:
        """Whether the blower's starter is closed."""
        return self.collector.blower_running(self.outputs.blower_request)

    def advance_to(self, t_s: float) -> None:
        """Run the physics on the grid up to `t_s`, and the outputs to it exactly."""
        while (self._steps + 1) * STEP_S <= t_s:
            self._step()
        self.outputs.settle(t_s)

    def apply(self, event: Event) -> None:
        """Let an event happen now, whatever its `at_s` says."""
        self.collector.apply(event, self.scenario_s)

    def _step(self) -> None:
        end_s = (self._steps + 1) * STEP_S
        self.outputs.settle(self.t_s)
        requested, energised = self.outputs.blower_request, self.outputs.energised()
        self.collector.move(STEP_S, requested, energised, self.speed)
        self._steps += 1
        self.outputs.settle(end_s)
        self.collector.happen(self.scenario_s)
        self._measure()

    def _measure(self) -> None:
        one = self.collector
        lag_s = None
        if one.sensing.line is not SensingLine.CLEAR:
            # A plug closes on the scenario's clock, pressure creeps through it on the wall's.
            lag_s = one.dp_lag_s(self.scenario_s)
        self.dp.update(one.sensed_pa(), STEP_S, lag_s=lag_s)
        self.header.update(one.state.header_gauge_pa, STEP_S)
        self.flow.update(one.point.flow_m3_s, STEP_S)
