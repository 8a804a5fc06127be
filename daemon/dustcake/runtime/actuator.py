"""Carrying out commands of one collector, one at a time, and reporting how each ended."""

import asyncio
from collections.abc import Callable

import structlog

from dustcake.core.commands import AllValvesOff, Command, FireValve, SetBlowerRun, SetDemand
from dustcake.core.inputs import Outcome
from dustcake.ports import OutputReport, Outputs

Report = Callable[[int, OutputReport], None]

NO_COMMAND = 0  # those of the core count from 1

log = structlog.get_logger()


class Actuator:
    """Commands wait in order; an all-off overtakes: it ends what energises a valve just now, and
    withholds what would and has not begun. A blower command takes the place of one that
    still waits, so that what was withdrawn is not done late."""

    def __init__(self, outputs: Outputs, report: Report) -> None:
        self._outputs = outputs
        self._report = report
        self._waiting: list[Command] = []
        self._changed = asyncio.Event()
        self._energising: asyncio.Task[OutputReport] | None = None
        self._busy = False

    def submit(self, command: Command) -> None:
        """Carry ``command`` out when its turn comes."""
        if isinstance(command, AllValvesOff):
            self._withdraw(_energises_valves)
            if self._energising is not None:
                self._energising.cancel()
        elif isinstance(command, SetBlowerRun):
            self._withdraw(lambda waiting: isinstance(waiting, SetBlowerRun))
        self._waiting.append(command)
        self._changed.set()

    def _withdraw(self, is_overtaken: Callable[[Command], bool]) -> None:
        for overtaken in [command for command in self._waiting if is_overtaken(command)]:
            self._waiting.remove(overtaken)
            self._report(overtaken.command_id, OutputReport(Outcome.WITHHELD, "overtaken"))

    @property
    def is_idle(self) -> bool:
        """Nothing waits and nothing is being carried out."""
        return not self._waiting and not self._busy

    async def run(self) -> None:
        """Work until cancelled; a pulse under way is then ended, and its valve switched off."""
        while True:
            while self._waiting:
                command = self._waiting.pop(0)
                self._busy = True
                report = await self._carry_out(command)
                self._busy = False
                self._report(command.command_id, report)
            self._changed.clear()
            await self._changed.wait()

    async def last_off(self) -> None:
        """Switch everything off, past the queue; for after ``run`` has been cancelled. Raises
        nothing: a bug has been met already, and is the one to report."""
        task = asyncio.create_task(self._outputs.execute(AllValvesOff(NO_COMMAND)))
        await asyncio.wait([task])
        bug = task.exception()
        if bug is not None or task.result().outcome is not Outcome.DONE:
            log.error("outputs not proved off", detail=repr(bug) if bug else task.result().detail)

    async def _carry_out(self, command: Command) -> OutputReport:
        task = asyncio.create_task(self._outputs.execute(command))
        if _energises_valves(command):
            self._energising = task
        try:
            await asyncio.wait([task])
        except asyncio.CancelledError:
            task.cancel()
            await asyncio.wait([task])
            raise
        finally:
            self._energising = None
        if task.cancelled():
            return OutputReport(Outcome.ENDED_EARLY, "ended by an all-off")
        return task.result()


def _energises_valves(command: Command) -> bool:
    return isinstance(command, FireValve) or (isinstance(command, SetDemand) and command.closed)
