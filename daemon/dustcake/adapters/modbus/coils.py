"""Coils that belong together, read and switched off for certain; and pulses of valves, timed by the
output module or by the daemon."""

import asyncio

from dustcake.adapters.modbus.bus import Bus, Channel
from dustcake.adapters.modbus.messages import Read, WriteCoils, WriteRegister, joined
from dustcake.core.commands import FireValve
from dustcake.core.inputs import FailureKind, Outcome, ReadFailure
from dustcake.core.setpoints import OutputKind
from dustcake.ports import Clock, OutputReport
from dustcake.settings.buses import BitTable, Outputs

OFF_ATTEMPTS = 4
"""How often switching off is tried before it counts as failed."""

OFF_PAUSE_S = 0.25
"""The pause between two attempts to switch off."""

DONE = OutputReport(Outcome.DONE)


def failed(detail: str) -> OutputReport:
    """A report that it is not done, for the reason ``detail``."""
    return OutputReport(Outcome.FAILED, detail)


class Coils:
    """Coils of one unit. ``labels``: coil address -> what it drives, for messages."""

    def __init__(self, bus: Bus, unit: int, labels: dict[int, str]) -> None:
        self._bus = bus
        self._unit = unit
        self._labels = labels
        self._singles = [range(coil, coil + 1) for coil in labels]
        self._reads = joined(self._singles)
        # Never written are coils in between that belong to others.
        contiguous = max(labels) - min(labels) + 1 == len(labels)
        self._writes = self._reads if contiguous else self._singles

    async def write(self, channel: Channel, *, on: bool) -> ReadFailure | None:
        """Write all of them, once. Returns the last failure; a failure does not keep the other
        coils from being written. Off is written even while the bus is backing off."""
        failure: ReadFailure | None = None
        for span in self._writes:
            request = WriteCoils(self._unit, span.start, (on,) * len(span))
            answer = await channel.exchange(request, urgent=not on)
            if isinstance(answer, ReadFailure):
                failure = answer
        if _refused(failure) and len(self._writes) < len(self._singles):
            self._writes = self._singles
            return await self.write(channel, on=on)
        return failure

    async def reading_on(self, channel: Channel) -> tuple[str, ...] | ReadFailure:
        """Labels of those that read energised; a failure if any of them could not be read."""
        states: dict[int, int] = {}
        for span in self._reads:
            answer = await channel.exchange(Read(self._unit, BitTable.COIL, span.start, len(span)))
            if _refused(answer) and len(self._reads) < len(self._singles):
                self._reads = self._singles
                return await self.reading_on(channel)
            if isinstance(answer, ReadFailure):
                return answer
            states.update(enumerate(answer, start=span.start))
        return tuple(label for coil, label in self._labels.items() if states[coil])

    async def switched(self, channel: Channel, *, on: bool) -> OutputReport:
        """How writing all of them once and reading them back ended."""
        state = "on" if on else "off"
        not_written = await self.write(channel, on=on)
        if not_written:
            return failed(f"not switched {state}: {not_written.detail}")
        energised = await self.reading_on(channel)
        if isinstance(energised, ReadFailure):
            return failed(f"not proved {state}: {energised.detail}")
        if on:
            return DONE if energised else failed("reads off after being switched on")
        if energised:
            names = ", ".join(energised)
            return OutputReport(Outcome.STUCK_ON, f"reads on after being switched off: {names}")
        return DONE

    async def switch_off(self) -> OutputReport:
        """Write off and read back, repeatedly until all read off or the attempts are used up.

        The bus is free for others between two attempts.
        """
        clock = self._bus.clock
        attempts_left = OFF_ATTEMPTS
        while True:
            async with self._bus.reserved(urgent=True) as channel:
                report = await self.switched(channel, on=False)
            attempts_left -= 1
            if report.outcome is Outcome.DONE or not attempts_left:
                return report
            await clock.sleep_until(clock.now().mono_s + OFF_PAUSE_S)

    async def switch_on(self) -> OutputReport:
        """Write on and read back."""
        async with self._bus.reserved() as channel:
            return await self.switched(channel, on=True)


def _refused(outcome: object) -> bool:
    return isinstance(outcome, ReadFailure) and outcome.kind is FailureKind.EXCEPTION


ON_TIME_TOLERANCE_S = 0.1
"""By how much an on-time may exceed the one requested before it is reported, and how long a
module may take to end a pulse that it times itself."""

_LARGEST_WORD = 0xFFFF


class Pulses:
    """Pulses of valves. ``early_end`` is set when the one under way is to end now."""

    def __init__(self, bus: Bus, outputs: Outputs, all_valves: Coils) -> None:
        self._bus = bus
        self._outputs = outputs
        self._all = all_valves
        self._valves = [
            Coils(bus, outputs.unit, {coil: f"valve {n}"})
            for n, coil in enumerate(outputs.coils, start=1)
        ]
        self._set_counts: int | None = None

    async def fire(self, command: FireValve, early_end: asyncio.Event) -> OutputReport:
        """Fire, and return when the valve reads off or could not be made to."""
        last = len(self._valves)
        if not 1 <= command.valve <= last:
            return failed(f"there is no valve {command.valve}: `coils` lists 1 to {last}")
        valve = self._valves[command.valve - 1]
        if self._outputs.kind is OutputKind.VALVES_ONE_SHOT:
            return await self._fire_one_shot(valve, command, early_end)
        return await self._fire_timed(valve, command, early_end)

    async def _fire_one_shot(
        self, valve: Coils, command: FireValve, early_end: asyncio.Event
    ) -> OutputReport:
        """The output module ends the pulse; the daemon checks that it did."""
        clock = self._bus.clock
        async with self._bus.reserved() as channel:
            refusal = await self._any_on(channel, command) or await self._set_time(channel, command)
            refusal = refusal or _too_late(command, early_end)
            if refusal:
                return refusal
            failure = await valve.write(channel, on=True)
        if failure is not None:
            self._set_counts = None  # the module may have been restarted and have forgotten it
            return _not_fired(command, failure, await valve.switch_off())
        end_s = clock.now().mono_s + command.on_time_s + ON_TIME_TOLERANCE_S
        await _until(end_s, clock, early_end)
        what = "cut short"
        if not early_end.is_set():
            async with self._bus.reserved() as channel:
                energised = await valve.reading_on(channel)
            if not energised:
                return DONE
            what = "the module did not end the pulse"
            if isinstance(energised, ReadFailure):
                what = f"not proved off by itself: {energised.detail}"
        return _ended_badly(command, what, await valve.switch_off())

    async def _set_time(self, channel: Channel, command: FireValve) -> OutputReport | None:
        """Write the pulse time where the module takes it; why that could not be done."""
        register = self._outputs.one_shot_register
        counts = round(command.on_time_s * 1000 / self._outputs.one_shot_ms_per_count)
        if register is None or counts == self._set_counts:
            return None
        if not 1 <= counts <= _LARGEST_WORD:
            return failed(
                f"not fired: an on-time of {command.on_time_s:g} s is {counts} counts, which "
                "does not fit the register: check `one_shot_ms_per_count`"
            )
        answer = await channel.exchange(WriteRegister(self._outputs.unit, register, counts))
        if isinstance(answer, ReadFailure):
            return failed(f"not fired, pulse time not set: {answer.detail}")
        self._set_counts = counts
        return None

    async def _fire_timed(
        self, valve: Coils, command: FireValve, early_end: asyncio.Event
    ) -> OutputReport:
        """The daemon ends the pulse, and has the bus to itself until the valve reads off."""
        clock = self._bus.clock
        off: OutputReport | None = None
        async with self._bus.reserved() as channel:
            refusal = await self._any_on(channel, command) or _too_late(command, early_end)
            if refusal:
                return refusal
            started_s = clock.now().mono_s
            try:
                failure = await valve.write(channel, on=True)
                if failure is None:
                    await _until(clock.now().mono_s + command.on_time_s, clock, early_end)
            finally:
                off = await valve.switched(channel, on=False)
        if off.outcome is not Outcome.DONE:
            off = await valve.switch_off()
        on_time_s = clock.now().mono_s - started_s
        if failure is not None:
            return _not_fired(command, failure, off)
        if off.outcome is not Outcome.DONE:
            return _ended_badly(command, "fired", off)
        if early_end.is_set():
            return _ended_badly(command, "cut short", off)
        if on_time_s > command.on_time_s + ON_TIME_TOLERANCE_S:
            return OutputReport(
                Outcome.DONE,
                f"valve {command.valve} was on for up to {on_time_s:.2f} s "
                f"instead of {command.on_time_s:g} s",
            )
        return DONE

    async def _any_on(self, channel: Channel, command: FireValve) -> OutputReport | None:
        """Why ``command`` is not carried out; None when all valves read off."""
        energised = await self._all.reading_on(channel)
        if isinstance(energised, ReadFailure):
            return failed(f"valve {command.valve} not fired: {energised.detail}")
        if not energised:
            return None
        what = f"valve {command.valve} not fired: {', '.join(energised)} read on"
        off = await self._all.switched(channel, on=False)
        return _after(what, off, "it has been switched off")


async def _until(until_s: float, clock: Clock, early_end: asyncio.Event) -> None:
    """Return at monotonic ``until_s``, or when the pulse is to end if that is sooner."""
    waits = {
        asyncio.ensure_future(clock.sleep_until(until_s)),
        asyncio.ensure_future(early_end.wait()),
    }
    try:
        await asyncio.wait(waits, return_when=asyncio.FIRST_COMPLETED)
    finally:
        for wait in waits:
            wait.cancel()
        await asyncio.gather(*waits, return_exceptions=True)


def _too_late(command: FireValve, early_end: asyncio.Event) -> OutputReport | None:
    """Why ``command`` is not carried out, if its end was requested before it began."""
    return failed(f"valve {command.valve} not fired: given up") if early_end.is_set() else None


def _not_fired(command: FireValve, why: ReadFailure, off: OutputReport) -> OutputReport:
    return _ended_badly(command, f"not fired, or not known to be: {why.detail}", off)


def _ended_badly(command: FireValve, what: str, off: OutputReport) -> OutputReport:
    return _after(f"valve {command.valve}: {what}", off, "it reads off")


def _after(what: str, off: OutputReport, if_off: str) -> OutputReport:
    """FAILED, or STUCK_ON if it could not be switched off either."""
    outcome = Outcome.STUCK_ON if off.outcome is Outcome.STUCK_ON else Outcome.FAILED
    return OutputReport(outcome, f"{what}; {off.detail or if_off}")
