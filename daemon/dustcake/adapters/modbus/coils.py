"""Coils that belong together: what they read, and switching them off for certain."""

from dustcake.adapters.modbus.blocks import Span, joined
from dustcake.adapters.modbus.bus import BusLine, Reserved
from dustcake.adapters.modbus.requests import Read, WriteCoils
from dustcake.core.inputs import Outcome
from dustcake.core.signals import FailureKind, ReadFailure
from dustcake.ports import OutputReport
from dustcake.settings.buses import BitTable

OFF_ATTEMPTS = 4
"""How often switching off is tried before it counts as failed."""

OFF_PAUSE_S = 0.25
"""Between two attempts to switch off."""

DONE = OutputReport(Outcome.DONE)


class Coils:
    """Coils of one unit. ``labels``: coil address -> what it drives, for messages."""

    def __init__(self, bus: BusLine, unit: int, labels: dict[int, str]) -> None:
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
            answer = await hold.ask(request, urgent=not on)
            if isinstance(answer, ReadFailure):
                failure = answer
        return failure

    async def _read(self, hold: Reserved, spans: list[Span]) -> dict[int, int] | ReadFailure:
        states: dict[int, int] = {}
        for span in spans:
            answer = await hold.ask(Read(self._unit, BitTable.COIL, span.address, span.count))
            if isinstance(answer, ReadFailure):
                return answer
            states.update(enumerate(answer, start=span.address))
        return states
