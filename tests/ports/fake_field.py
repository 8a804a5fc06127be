"""A field in memory, for tests of what lies above it. Held to the same suite as the real one."""

import asyncio
from typing import assert_never

from dustcake.core.commands import AllValvesOff, Command, FireValve, SetBlowerRun, SetDemand
from dustcake.core.inputs import Contacts, FailureKind, Outcome, ReadFailure, Registers, Signal
from dustcake.core.setpoints import OutputKind
from dustcake.ports import FieldReading, OutputReport

DONE = OutputReport(Outcome.DONE)


class FakeField:
    """Implements Transmitter and Outputs. Set the attributes to what the plant should do.

    ``silent``: no device answers, though what is written to it is carried out. ``stuck_on``:
    what ignores being switched off. ``on``: what is energised: valves by number, "demand",
    "blower". ``fired``: every valve that was ever switched on, in order. ``pulse_ends``: while
    it is clear a pulse lasts; set from the start, so that pulses take no time.
    """

    def __init__(self, kind: OutputKind, valves: int = 4, *, blower: bool = True) -> None:
        self.dp: Signal = Registers((0,))
        self.header: Signal | None = None
        self.contacts = Contacts()
        self.silent = False
        self.on: set[int | str] = set()
        self.stuck_on: set[int | str] = set()
        self.fired: list[int] = []
        self.commands: list[Command] = []
        self.pulse_ends = asyncio.Event()
        self.pulse_ends.set()
        self._kind = kind
        self._valves = valves
        self._blower = blower
        self._one_at_a_time = asyncio.Lock()

    async def read(self) -> FieldReading:
        if not self.silent:
            return FieldReading(self.dp, self.header, self.contacts)
        failure = ReadFailure(FailureKind.TIMEOUT, "fake field: no reply")
        return FieldReading(failure, None if self.header is None else failure, Contacts())

    async def execute(self, command: Command) -> OutputReport:
        self.commands.append(command)
        if isinstance(command, SetBlowerRun):
            return self._set_blower(command.run)
        async with self._one_at_a_time:
            match command:
                case FireValve():
                    return await self._fire(command.valve)
                case SetDemand():
                    return self._set_demand(command.closed)
                case AllValvesOff():
                    return self._off(*range(1, self._valves + 1), "demand")
                case _:
                    assert_never(command)

    async def _fire(self, valve: int) -> OutputReport:
        if self._kind is OutputKind.DEMAND_CONTACT or not 1 <= valve <= self._valves:
            return _failed(f"there is no valve {valve}")
        if self.silent:
            return _failed("no reply")
        found_on = self.on - {"demand", "blower"}
        if found_on:
            off = self._off(*found_on)
            outcome = off.outcome if off.outcome is Outcome.STUCK_ON else Outcome.FAILED
            return OutputReport(outcome, f"valve {valve} not fired: {found_on} read on")
        self.on.add(valve)
        self.fired.append(valve)
        try:
            await self.pulse_ends.wait()
        finally:
            off = self._off(valve)
        return off

    def _set_demand(self, closed: bool) -> OutputReport:
        if self._kind is not OutputKind.DEMAND_CONTACT:
            return _failed("these outputs are valves")
        if not closed or self.silent:
            off = self._off("demand")
            return off if not closed else _failed("no reply")
        self.on.add("demand")
        return DONE

    def _set_blower(self, run: bool) -> OutputReport:
        if not self._blower:
            return _failed("no blower run output")
        if not run:
            return self._off("blower")
        self.on.add("blower")
        return _failed("no reply") if self.silent else DONE

    def _off(self, *outputs: int | str) -> OutputReport:
        self.on -= set(outputs) - self.stuck_on
        if self.silent:
            return _failed("no reply")
        left = self.on & set(outputs)
        return OutputReport(Outcome.STUCK_ON, f"reads on: {left}") if left else DONE


def _failed(detail: str) -> OutputReport:
    return OutputReport(Outcome.FAILED, detail)
