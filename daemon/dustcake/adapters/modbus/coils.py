"""Coils that belong together, read and switched off for certain; and pulses of valves, timed by the
output module or by the daemon."""

import asyncio

from dustcake.adapters.modbus.bus import Bus, Reserved
from dustcake.adapters.modbus.messages import Read, Span, WriteCoils, WriteRegister, joined
from dustcake.core.commands import FireValve
from dustcake.core.inputs import FailureKind, Outcome, ReadFailure
from dustcake.ports import Clock, OutputReport
from dustcake.settings.buses import BitTable, Outputs

OFF_ATTEMPTS = 4
"""How often switching off is tried before it counts as failed."""

OFF_PAUSE_S = 0.25
"""Between two attempts to switch off."""

DONE = OutputReport(Outcome.DONE)


class Coils:
    """Coils of one unit. ``labels``: coil address -> what it drives, for messages."""

    def __init__(self, bus: Bus, unit: int, labels: dict[int, str]) -> None:
        self._bus = bus
        self._unit = unit
        self._labels = labels
        spans = [Span(coil, 1) for coil in labels]
        self._blocks = joined(spans)
        contiguous = max(labels) - min(labels) + 1 == len(labels)
        self._writes = [Span(min(labels), len(labels))] if contiguous else spans

    async def write(self, hold: Reserved, *, on: bool) -> ReadFailure | None:
        """Write all of them, once. Returns the last failure; a failure does not keep the other
        coils from being written. Off is written even while the bus is backing off."""
        failure = await self._write(hold, self._writes, on=on)
        if failure and failure.kind is FailureKind.EXCEPTION and self._several_at_once():
            self._writes = [Span(coil, 1) for coil in self._labels]
            failure = await self._write(hold, self._writes, on=on)
        return failure

    async def reading_on(self, hold: Reserved) -> tuple[str, ...] | ReadFailure:
        """Labels of those that read energised; a failure if any of them could not be read."""
        states = await self._read(hold, self._blocks)
        if (
            isinstance(states, ReadFailure)
            and states.kind is FailureKind.EXCEPTION
            and len(self._blocks) < len(self._labels)
        ):
            self._blocks = [Span(coil, 1) for coil in self._labels]
            states = await self._read(hold, self._blocks)
        if isinstance(states, ReadFailure):
            return states
        return tuple(label for coil, label in self._labels.items() if states[coil])

    async def off_once(self, hold: Reserved) -> OutputReport:
        """Write off and read back, once."""
        not_written = await self.write(hold, on=False)
        if not_written:
            return OutputReport(Outcome.FAILED, f"not switched off: {not_written.detail}")
        energised = await self.reading_on(hold)
        if isinstance(energised, ReadFailure):
            return OutputReport(Outcome.FAILED, f"not proved off: {energised.detail}")
        if energised:
            names = ", ".join(energised)
            return OutputReport(Outcome.STUCK_ON, f"reads on after being switched off: {names}")
        return DONE

    async def switch_off(self) -> OutputReport:
        """Write off and read back, repeatedly until all read off or the attempts are used up.

        The bus is free for others between two attempts.
        """
        clock = self._bus.clock
        async with self._bus.reserved(urgent=True) as hold:
            report = await self.off_once(hold)
        for _ in range(OFF_ATTEMPTS - 1):
            if report.outcome is Outcome.DONE:
                break
            await clock.sleep_until(clock.now().mono_s + OFF_PAUSE_S)
            async with self._bus.reserved(urgent=True) as hold:
                report = await self.off_once(hold)
        return report

    def _several_at_once(self) -> bool:
        return any(span.count > 1 for span in self._writes)

    async def _write(self, hold: Reserved, spans: list[Span], *, on: bool) -> ReadFailure | None:
        failure: ReadFailure | None = None
        for span in spans:
            request = WriteCoils(self._unit, span.address, (on,) * span.count)
            answer = await hold.exchange(request, urgent=not on)
            if isinstance(answer, ReadFailure):
                failure = answer
        return failure

    async def _read(self, hold: Reserved, spans: list[Span]) -> dict[int, int] | ReadFailure:
        states: dict[int, int] = {}
        for span in spans:
            answer = await hold.exchange(Read(self._unit, BitTable.COIL, span.address, span.count))
            if isinstance(answer, ReadFailure):
                return answer
            states.update(enumerate(answer, start=span.address))
        return states


ON_TIME_TOLERANCE_S = 0.1
"""By how much an on-time may exceed the one requested before it is reported, and how long a
module may take to end a pulse that it times itself."""

_LARGEST_WORD = 0xFFFF


class EarlyEnd:
    """A request to end the pulse under way now."""

    def __init__(self) -> None:
        self._event = asyncio.Event()

    @property
    def requested(self) -> bool:
        """Whether the pulse is to end."""
        return self._event.is_set()

    def request(self) -> None:
        """End the pulse."""
        self._event.set()

    async def wait(self, clock: Clock, until_s: float) -> None:
        """Return at monotonic ``until_s``, or when the pulse is to end if that is sooner."""
        waits = {
            asyncio.ensure_future(clock.sleep_until(until_s)),
            asyncio.ensure_future(self._event.wait()),
        }
        try:
            await asyncio.wait(waits, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for wait in waits:
                wait.cancel()
            await asyncio.gather(*waits, return_exceptions=True)


class _Pulses:
    def __init__(self, bus: Bus, outputs: Outputs, all_valves: Coils) -> None:
        self._bus = bus
        self._unit = outputs.unit
        self._all = all_valves
        self._coils = outputs.coils
        self._valves = [
            Coils(bus, outputs.unit, {coil: f"valve {n}"})
            for n, coil in enumerate(outputs.coils, start=1)
        ]

    def _refusal(self, command: FireValve) -> OutputReport | None:
        if 1 <= command.valve <= len(self._valves):
            return None
        last = len(self._valves)
        return _failed(f"there is no valve {command.valve}: `coils` lists 1 to {last}")

    async def _any_on(self, hold: Reserved, command: FireValve) -> OutputReport | None:
        """None when all valves read off; otherwise why ``command`` is not carried out."""
        energised = await self._all.reading_on(hold)
        if isinstance(energised, ReadFailure):
            return _failed(f"valve {command.valve} not fired: {energised.detail}")
        if not energised:
            return None
        off = await self._all.off_once(hold)
        outcome = Outcome.STUCK_ON if off.outcome is Outcome.STUCK_ON else Outcome.FAILED
        was_on = ", ".join(energised)
        now = off.detail or "it has been switched off"
        return OutputReport(outcome, f"valve {command.valve} not fired: {was_on} read on; {now}")

    def _on(self, valve: int) -> WriteCoils:
        return WriteCoils(self._unit, self._coils[valve - 1], (True,))


class OneShotPulses(_Pulses):
    """The output module ends the pulse; the daemon checks that it did."""

    def __init__(self, bus: Bus, outputs: Outputs, all_valves: Coils) -> None:
        super().__init__(bus, outputs, all_valves)
        self._register = outputs.one_shot_register
        self._ms_per_count = outputs.one_shot_ms_per_count
        self._set_counts: int | None = None

    async def fire(self, command: FireValve, early_end: EarlyEnd) -> OutputReport:
        """Fire, and return when the valve reads off or could not be made to."""
        refusal = self._refusal(command)
        if refusal:
            return refusal
        valve = self._valves[command.valve - 1]
        clock = self._bus.clock
        async with self._bus.reserved() as hold:
            refusal = await self._any_on(hold, command) or await self._set_time(hold, command)
            refusal = refusal or _too_late(command, early_end)
            if refusal:
                return refusal
            failure = await hold.exchange(self._on(command.valve))
        if isinstance(failure, ReadFailure):
            self._set_counts = None  # the module may have been restarted and have forgotten it
            off = await valve.switch_off()
            return _not_fired(command, failure, off)
        end_s = clock.now().mono_s + command.on_time_s + ON_TIME_TOLERANCE_S
        await early_end.wait(clock, end_s)
        async with self._bus.reserved() as hold:
            energised = () if early_end.requested else await valve.reading_on(hold)
        if not energised and not early_end.requested:
            return DONE
        off = await valve.switch_off()
        if isinstance(energised, ReadFailure):
            return _ended_badly(command, f"not proved off by itself: {energised.detail}", off)
        if early_end.requested:
            return _ended_badly(command, "cut short", off)
        return _ended_badly(command, "the module did not end the pulse", off)

    async def _set_time(self, hold: Reserved, command: FireValve) -> OutputReport | None:
        if self._register is None:
            return None
        counts = round(command.on_time_s * 1000 / self._ms_per_count)
        if counts == self._set_counts:
            return None
        if not 1 <= counts <= _LARGEST_WORD:
            return _failed(
                f"not fired: an on-time of {command.on_time_s:g} s is {counts} counts, which "
                "does not fit the register: check `one_shot_ms_per_count`"
            )
        answer = await hold.exchange(WriteRegister(self._unit, self._register, counts))
        if isinstance(answer, ReadFailure):
            return _failed(f"not fired, pulse time not set: {answer.detail}")
        self._set_counts = counts
        return None


class TimedPulses(_Pulses):
    """The daemon ends the pulse, and has the bus to itself until the valve reads off."""

    async def fire(self, command: FireValve, early_end: EarlyEnd) -> OutputReport:
        """Fire, and return when the valve reads off or could not be made to."""
        refusal = self._refusal(command)
        if refusal:
            return refusal
        valve = self._valves[command.valve - 1]
        clock = self._bus.clock
        off: OutputReport | None = None
        async with self._bus.reserved() as hold:
            refusal = await self._any_on(hold, command) or _too_late(command, early_end)
            if refusal:
                return refusal
            started_s = clock.now().mono_s
            try:
                failure = await hold.exchange(self._on(command.valve))
                if not isinstance(failure, ReadFailure):
                    await early_end.wait(clock, clock.now().mono_s + command.on_time_s)
            finally:
                off = await valve.off_once(hold)
        if off.outcome is not Outcome.DONE:
            off = await valve.switch_off()
        on_time_s = clock.now().mono_s - started_s
        if isinstance(failure, ReadFailure):
            return _not_fired(command, failure, off)
        if off.outcome is not Outcome.DONE:
            return _ended_badly(command, "fired", off)
        if early_end.requested:
            return _ended_badly(command, "cut short", off)
        if on_time_s > command.on_time_s + ON_TIME_TOLERANCE_S:
            return OutputReport(
                Outcome.DONE,
                f"valve {command.valve} was on for up to {on_time_s:.2f} s "
                f"instead of {command.on_time_s:g} s",
            )
        return DONE


def _failed(detail: str) -> OutputReport:
    return OutputReport(Outcome.FAILED, detail)


def _too_late(command: FireValve, early_end: EarlyEnd) -> OutputReport | None:
    """Not None when the end was requested before the pulse began."""
    return _failed(f"valve {command.valve} not fired: given up") if early_end.requested else None


def _not_fired(command: FireValve, why: ReadFailure, off: OutputReport) -> OutputReport:
    return _ended_badly(command, f"not fired, or not known to be: {why.detail}", off)


def _ended_badly(command: FireValve, what: str, off: OutputReport) -> OutputReport:
    """FAILED, or STUCK_ON if it could not be switched off either."""
    outcome = Outcome.STUCK_ON if off.outcome is Outcome.STUCK_ON else Outcome.FAILED
    now = off.detail or "it reads off"
    return OutputReport(outcome, f"valve {command.valve}: {what}; {now}")
