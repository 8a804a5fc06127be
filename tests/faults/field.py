"""The field of one collector: plant, transmitter and outputs, as the ports have them."""

import asyncio
from dataclasses import dataclass
from math import nan
from random import Random
from struct import pack, unpack
from typing import TYPE_CHECKING, assert_never

from dustcake.core.commands import AllValvesOff, Command, FireValve, SetBlowerRun, SetDemand
from dustcake.core.inputs import Contacts, FailureKind, Outcome, ReadFailure, Registers, Signal
from dustcake.core.setpoints import BlowerRequest, OutputKind, Scale, SignalKind
from dustcake.ports import FieldReading, OutputReport
from faults.module import Coil, Module

if TYPE_CHECKING:
    from faults.world import World

EXCHANGE_S, SILENCE_S = 0.02, 1.0
DONE = OutputReport(Outcome.DONE)
HEADER_PA, HEADER_LOW_PA, HEADER_HIGH_PA = 600_000.0, 250_000.0, 900_000.0
ZERO_SHIFT_PA = 40.0


@dataclass
class Plant:
    """dP that grows with dust and falls with pulses."""

    rate_pa_s: float
    cake_pa: float = 200.0
    at_s: float = 0.0

    def dp_pa(self, now_s: float, blower: bool) -> float:
        """dP now; the blower has been so since the last call."""
        if blower:
            self.cake_pa = min(1500.0, self.cake_pa + self.rate_pa_s * (now_s - self.at_s))
        self.at_s = now_s
        return 400.0 + self.cake_pa if blower else 3.0

    def pulsed(self, valves: int) -> None:
        """One of so many rows has been cleaned."""
        self.cake_pa *= 1 - 0.6 / valves


class Field:
    """Implements Transmitter and Outputs over a Module. Lives as long as the collector does."""

    def __init__(self, world: "World", rng: Random, watchdog_s: float) -> None:
        self.world = world
        self.rng = rng
        self.plant = Plant(rng.choice((0.04, 0.08, 0.2)))
        self.module = Module(
            lambda: world.loop.now_s,
            watchdog_s,
            lambda: world.trouble.active("valve_stuck"),
            world.object,
        )
        self._held: Registers | None = None

    @property
    def blower_runs(self) -> bool:
        """Whether it turns."""
        wanted = self.world.setpoints.blower.request is BlowerRequest.NONE or self.module.blower
        return wanted and not self.world.trouble.active("blower_stopped")

    # --- Transmitter

    async def read(self) -> FieldReading:
        active, setpoints = self.world.trouble.active, self.world.setpoints
        self.world.watch.touches("the transmitter")
        takes_s = EXCHANGE_S
        if active("late_reply"):
            takes_s = self.rng.uniform(0.3, 4.0) * self.world.collector.poll_s
        await asyncio.sleep(takes_s)
        self.world.loop.check_power()
        dp_pa = self.plant.dp_pa(self.world.loop.now_s, self.blower_runs)
        if active("poll_lost"):
            lost = ReadFailure(FailureKind.TIMEOUT, "no reply")
            return FieldReading(lost, lost if setpoints.header else None, Contacts())
        self.module.spoken_to()
        return FieldReading(self._dp(dp_pa), self._header(), self._contacts())

    def _dp(self, dp_pa: float) -> Signal:
        active, scale = self.world.trouble.active, self.world.setpoints.dp
        if self.blower_runs:
            dp_pa += self.rng.uniform(-4.0, 4.0)
            dp_pa += 480.0 * active("worn") + 700.0 * active("blinded")
            if active("torn"):
                dp_pa = 55.0
        if active("lines_swapped"):
            dp_pa = -dp_pa
        if active("zero_shifted"):
            dp_pa += ZERO_SHIFT_PA
        if active("signal_stuck"):
            self._held = self._held or signal(dp_pa, scale)
            return self._held
        self._held = None
        if active("garbled"):
            return Registers(
                tuple(self.rng.randrange(65536) for _ in range(self.rng.randint(0, 3)))
            )
        if active("not_a_number"):
            return signal(nan if scale.kind is SignalKind.FLOAT32 else -2500.0, scale)
        if active("beyond_span"):
            return signal(2560.0, scale)
        return signal(dp_pa, scale)

    def _header(self) -> Signal | None:
        active, scale = self.world.trouble.active, self.world.setpoints.header
        if scale is None:
            return None
        if active("header_fault"):
            return ReadFailure(FailureKind.EXCEPTION, "exception 4")
        if active("header_low"):
            return signal(HEADER_LOW_PA, scale)
        return signal(HEADER_HIGH_PA if active("header_high") else HEADER_PA, scale)

    def _contacts(self) -> Contacts:
        active, fitted = self.world.trouble.active, self.world.setpoints.fitted
        if active("contacts_lost"):
            return Contacts()
        return Contacts(
            self.blower_runs if fitted.blower_running else None,
            active("smoke") if fitted.smoke else None,
            active("door_open") if fitted.door_open else None,
            not active("process_stopped") if fitted.process_running else None,
            active("stop_input") if fitted.stop else None,
            active("drum_full") if fitted.drum_full else None,
        )

    # --- Outputs

    async def execute(self, command: Command) -> OutputReport:
        self.world.loop.check_power()
        self.world.watch.executes(command)
        slow = self.world.trouble.active("report_late") and self.rng.random() < 0.6
        late_s = 2.5 * self.world.setpoints.pulsing.report_timeout_s
        if slow and self.rng.random() < 0.5:
            slow = False
            await asyncio.sleep(late_s)
        report = await self._carry_out(command)
        if slow:
            await asyncio.sleep(late_s)
        self.world.watch.reports(command, report)
        return report

    async def _carry_out(self, command: Command) -> OutputReport:
        await asyncio.sleep(EXCHANGE_S)
        if self.world.trouble.active("outputs_silent"):
            await asyncio.sleep(SILENCE_S)
            return self._failed()
        self.world.loop.check_power()
        self.module.spoken_to()
        match command:
            case FireValve():
                return await self._fire(command)
            case SetDemand(closed=True):
                if self.module.on():
                    return self._off()
                self.module.energise("demand", OutputKind.DEMAND_CONTACT, 0.0)
                return DONE
            case SetDemand() | AllValvesOff():
                return self._off()
            case SetBlowerRun():
                self.module.blower = command.run
                return DONE
            case _:
                assert_never(command)

    async def _fire(self, command: FireValve) -> OutputReport:
        if self.module.on():
            off = self._off()
            return off if off.outcome is Outcome.STUCK_ON else OutputReport(Outcome.FAILED, "on")
        kind = self.world.setpoints.pulsing.kind
        self.world.watch.energises(command)
        self.module.energise(command.valve, kind, command.on_time_s)
        self.plant.pulsed(len(self.world.setpoints.pulsing.order))
        try:
            await asyncio.sleep(command.on_time_s + EXCHANGE_S)
        finally:
            # Contract of the port: whoever cancels gets the valve switched off first.
            self.world.loop.check_power()
            off = self._off(command.valve)
        return off

    def _off(self, *coils: Coil) -> OutputReport:
        if self.world.trouble.active("outputs_silent"):
            return self._failed()
        for coil in coils or tuple(self.module.on()):
            self.module.switch_off(coil)
        left = sorted(map(str, self.module.on()))
        return OutputReport(Outcome.STUCK_ON, f"reads on: {left}") if left else DONE

    def _failed(self) -> OutputReport:
        self.module.excuse()
        return OutputReport(Outcome.FAILED, "no reply")


def signal(pa: float, scale: Scale) -> Registers:
    """What a transmitter of this kind sends for ``pa``."""
    x = (pa - scale.offset_pa) / scale.gain_pa
    if scale.kind is SignalKind.FLOAT32:
        return Registers(unpack(">HH", pack(">f", x)))
    if scale.kind is SignalKind.CURRENT:
        return Registers((max(0, min(65535, round(x / scale.ma_per_count))),))
    return Registers((round(max(-32768.0, min(32767.0, x))) % 65536,))
