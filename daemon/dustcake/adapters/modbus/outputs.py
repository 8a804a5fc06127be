"""The outputs of one collector: valves or a demand contact, and the blower run request."""

import asyncio
from collections.abc import Mapping
from typing import assert_never

import structlog

from dustcake.adapters.modbus.bus import Bus, Channel
from dustcake.adapters.modbus.coils import Coils, Pulses, failed
from dustcake.adapters.modbus.messages import Read, WriteRegister
from dustcake.core.commands import AllValvesOff, Command, FireValve, SetBlowerRun, SetDemand
from dustcake.core.inputs import FailureKind, Outcome, ReadFailure
from dustcake.core.setpoints import OutputKind
from dustcake.ports import OutputReport
from dustcake.settings import buses as field
from dustcake.settings.buses import ModuleWatchdog, WordTable


class CoilOutputs:
    """The port ``Outputs``. Commands to the valves are carried out one at a time."""

    def __init__(
        self,
        buses: Mapping[str, Bus],
        outputs: field.Outputs,
        blower_run: field.CoilOutput | None,
    ) -> None:
        bus = buses[outputs.bus]
        is_demand = outputs.kind is OutputKind.DEMAND_CONTACT
        labels = {
            coil: "demand contact" if is_demand else f"valve {n}"
            for n, coil in enumerate(outputs.coils, start=1)
        }
        self._all = Coils(bus, outputs.unit, labels)
        self._pulses = None if is_demand else Pulses(bus, outputs, self._all)
        self._watchdog: OutputWatchdog | None = None
        if outputs.watchdog is not None:
            self._watchdog = OutputWatchdog(bus, outputs.unit, outputs.watchdog)
        self._one_at_a_time = asyncio.Lock()
        self._under_way: asyncio.Event | None = None
        self._blower: Coils | None = None
        if blower_run is not None:
            labels = {blower_run.coil: "blower run request"}
            self._blower = Coils(buses[blower_run.bus], blower_run.unit, labels)

    async def execute(self, command: Command) -> OutputReport:
        """Carry ``command`` out and verify it by reading back.

        A pulse under way is cut short by AllValvesOff, and by cancelling the caller, who gets
        his CancelledError only after the valve has been switched off.
        """
        early_end = asyncio.Event()
        if isinstance(command, AllValvesOff) and self._under_way is not None:
            self._under_way.set()
        # A task of its own: cancelling it in the middle of an exchange would leave the off
        # write to wait until the line can be trusted again.
        task = asyncio.create_task(self._carry_out(command, early_end))
        try:
            return await asyncio.shield(task)
        except asyncio.CancelledError:
            early_end.set()
            await _ended(task)
            raise

    async def keep_watchdog(self) -> None:
        """Keep the module's watchdog set and fed until cancelled; return if there is none."""
        if self._watchdog is not None:
            await self._watchdog.keep()

    async def _carry_out(self, command: Command, early_end: asyncio.Event) -> OutputReport:
        if isinstance(command, SetBlowerRun):
            return await self._set_blower(command.run)
        async with self._one_at_a_time:
            if _energises(command) and (refusal := await self._refusal(early_end)):
                return refusal
            match command:
                case FireValve():
                    return await self._fire(command, early_end)
                case SetDemand():
                    return await self._set_demand(command.closed)
                case AllValvesOff():
                    return await self._all.switch_off()
                case _:
                    assert_never(command)

    async def _refusal(self, early_end: asyncio.Event) -> OutputReport | None:
        """Why nothing may be switched on."""
        if early_end.is_set():
            return failed("given up before it began")
        failure = await self._watchdog.ensure() if self._watchdog else None
        return failed(f"module watchdog not set: {failure.detail}") if failure else None

    async def _fire(self, command: FireValve, early_end: asyncio.Event) -> OutputReport:
        if self._pulses is None:
            return failed("a demand contact has no valves to fire")
        self._under_way = early_end
        try:
            return await self._pulses.fire(command, early_end)
        finally:
            self._under_way = None

    async def _set_demand(self, closed: bool) -> OutputReport:
        if self._pulses is not None:
            return failed("these outputs are valves, not a demand contact")
        if not closed:
            return await self._all.switch_off()
        report = await self._all.switch_on()
        if report.outcome is Outcome.DONE:
            return report
        off = await self._all.switch_off()
        if off.outcome is Outcome.DONE:
            return report
        return OutputReport(off.outcome, f"{report.detail}; {off.detail}")

    async def _set_blower(self, run: bool) -> OutputReport:
        if self._blower is None:
            return failed("no blower run output is set: add `blower_run`")
        return await (self._blower.switch_on() if run else self._blower.switch_off())


def _energises(command: Command) -> bool:
    return isinstance(command, FireValve) or (isinstance(command, SetDemand) and command.closed)


async def _ended(task: asyncio.Task[OutputReport]) -> None:
    """Wait for ``task`` whatever happens to the waiter; what it raised is raised."""
    while not task.done():
        try:
            await asyncio.wait({task})
        except asyncio.CancelledError:
            continue
    task.result()


FEEDS_A_TIMEOUT = 3
"""How often within the time-out it is fed, so that one lost exchange does not trip it."""

_log = structlog.get_logger(__name__)


class OutputWatchdog:
    """The watchdog of one unit. Any valid request feeds it; the one made here reads it back."""

    def __init__(self, bus: Bus, unit: int, settings: ModuleWatchdog) -> None:
        self._bus = bus
        self._unit = unit
        self._register = settings.register_address
        self._counts = settings.counts
        self._every_s = settings.timeout_s / FEEDS_A_TIMEOUT
        self._is_set = False
        self._in_trouble = False

    async def ensure(self) -> ReadFailure | None:
        """Set it unless it is known to be set; why that could not be done."""
        if self._is_set:
            return None
        async with self._bus.reserved() as channel:
            return await self._set(channel)

    async def keep(self) -> None:
        """Feed it, and set it again when it reads otherwise, until cancelled."""
        clock = self._bus.clock
        while True:
            async with self._bus.reserved() as channel:
                failure = await self._prove(channel)
                if failure is None and not self._is_set:
                    failure = await self._set(channel)
            self._log_changes(failure)
            await clock.sleep_until(clock.now().mono_s + self._every_s)

    async def _prove(self, channel: Channel) -> ReadFailure | None:
        answer = await channel.exchange(Read(self._unit, WordTable.HOLDING, self._register, 1))
        self._is_set = answer == (self._counts,)
        return answer if isinstance(answer, ReadFailure) else None

    async def _set(self, channel: Channel) -> ReadFailure | None:
        answer = await channel.exchange(WriteRegister(self._unit, self._register, self._counts))
        failure = answer if isinstance(answer, ReadFailure) else await self._prove(channel)
        if failure is None and not self._is_set:
            failure = ReadFailure(
                FailureKind.BAD_REPLY,
                f"unit {self._unit}, holding register {self._register}: does not read "
                f"{self._counts} after it was written; check outputs.watchdog",
            )
        return failure

    def _log_changes(self, failure: ReadFailure | None) -> None:
        if failure is not None and not self._in_trouble:
            _log.warning(
                "module watchdog not set", cause=failure.detail, consequence="no valve is fired"
            )
        elif failure is None and self._in_trouble:
            _log.info("module watchdog set")
        self._in_trouble = failure is not None
