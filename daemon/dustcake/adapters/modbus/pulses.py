"""One pulse of one valve: timed by the output module, or by the daemon."""

import asyncio

from dustcake.adapters.modbus.bus import BusLine, Reserved
from dustcake.adapters.modbus.coils import DONE, Coils
from dustcake.adapters.modbus.requests import WriteCoils, WriteRegister
from dustcake.core.commands import FireValve
from dustcake.core.inputs import Outcome
from dustcake.core.signals import ReadFailure
from dustcake.ports import Clock, OutputReport
from dustcake.settings.buses import Outputs

ON_TIME_TOLERANCE_S = 0.1
"""By how much an on-time may exceed the one asked for before it is reported, and how long a
module may take to end a pulse that it times itself."""

_LARGEST_WORD = 0xFFFF


class Cut:
    """Tells a pulse under way to end now."""

    def __init__(self) -> None:
        self._event = asyncio.Event()

    @property
    def made(self) -> bool:
        """Whether the pulse is to end."""
        return self._event.is_set()

    def short(self) -> None:
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
    def __init__(self, bus: BusLine, outputs: Outputs, all_valves: Coils) -> None:
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

    def __init__(self, bus: BusLine, outputs: Outputs, all_valves: Coils) -> None:
        super().__init__(bus, outputs, all_valves)
        self._register = outputs.one_shot_register
        self._ms_per_count = outputs.one_shot_ms_per_count
        self._set_counts: int | None = None

    async def fire(self, command: FireValve, cut: Cut) -> OutputReport:
        """Fire, and return when the valve reads off or could not be made to."""
        refusal = self._refusal(command)
        if refusal:
            return refusal
        valve = self._valves[command.valve - 1]
        clock = self._bus.clock
        async with self._bus.reserved() as hold:
            refusal = await self._any_on(hold, command) or await self._set_time(hold, command)
            refusal = refusal or _too_late(command, cut)
            if refusal:
                return refusal
            failure = await hold.ask(self._on(command.valve))
        if isinstance(failure, ReadFailure):
            self._set_counts = None  # the module may have been restarted and have forgotten it
            off = await valve.switch_off()
            return _not_fired(command, failure, off)
        end_s = clock.now().mono_s + command.on_time_s + ON_TIME_TOLERANCE_S
        await cut.wait(clock, end_s)
        async with self._bus.reserved() as hold:
            energised = () if cut.made else await valve.reading_on(hold)
        if not energised and not cut.made:
            return DONE
        off = await valve.switch_off()
        if isinstance(energised, ReadFailure):
            return _ended_badly(command, f"not proved off by itself: {energised.detail}", off)
        if cut.made:
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
        answer = await hold.ask(WriteRegister(self._unit, self._register, counts))
        if isinstance(answer, ReadFailure):
            return _failed(f"not fired, pulse time not set: {answer.detail}")
        self._set_counts = counts
        return None


class TimedPulses(_Pulses):
    """The daemon ends the pulse, and has the bus to itself until the valve reads off."""

    async def fire(self, command: FireValve, cut: Cut) -> OutputReport:
        """Fire, and return when the valve reads off or could not be made to."""
        refusal = self._refusal(command)
        if refusal:
            return refusal
        valve = self._valves[command.valve - 1]
        clock = self._bus.clock
        off: OutputReport | None = None
        async with self._bus.reserved() as hold:
            refusal = await self._any_on(hold, command) or _too_late(command, cut)
            if refusal:
                return refusal
            started_s = clock.now().mono_s
            try:
                failure = await hold.ask(self._on(command.valve))
                if not isinstance(failure, ReadFailure):
                    await cut.wait(clock, clock.now().mono_s + command.on_time_s)
            finally:
                off = await valve.off_once(hold)
        if off.outcome is not Outcome.DONE:
            off = await valve.switch_off()
        on_time_s = clock.now().mono_s - started_s
        if isinstance(failure, ReadFailure):
            return _not_fired(command, failure, off)
        if off.outcome is not Outcome.DONE:
            return _ended_badly(command, "fired", off)
        if cut.made:
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


def _too_late(command: FireValve, cut: Cut) -> OutputReport | None:
    """Not None when the pulse has been told to end before it began."""
    return _failed(f"valve {command.valve} not fired: given up") if cut.made else None


def _not_fired(command: FireValve, why: ReadFailure, off: OutputReport) -> OutputReport:
    return _ended_badly(command, f"not fired, or not known to be: {why.detail}", off)


def _ended_badly(command: FireValve, what: str, off: OutputReport) -> OutputReport:
    """FAILED, or STUCK_ON if it could not be switched off either."""
    outcome = Outcome.STUCK_ON if off.outcome is Outcome.STUCK_ON else Outcome.FAILED
    now = off.detail or "it reads off"
    return OutputReport(outcome, f"valve {command.valve}: {what}; {now}")
