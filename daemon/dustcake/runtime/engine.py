"""The only writer of a collector's state: step -> commit -> act -> report back."""

import asyncio
from collections import deque
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from itertools import filterfalse

import structlog

from dustcake.core.commands import AllValvesOff, Command, SetBlowerRun, SetDemand
from dustcake.core.events import Event, RequestAnswered
from dustcake.core.inputs import (
    Input,
    JournalReported,
    Outcome,
    OutputReported,
    PollCompleted,
    Restarted,
    Stamp,
    Woke,
)
from dustcake.core.setpoints import Setpoints
from dustcake.core.state import State, first_state
from dustcake.core.step import Step, step
from dustcake.ports import Clock, Commit, Journal, OutputReport, Outputs, Stored
from dustcake.publish.render import Deadbands, ExceptionReporter, Renderer
from dustcake.publish.topics import Keep, Publication
from dustcake.runtime.actuator import NO_COMMAND, Actuator
from dustcake.runtime.shutdown import OUTPUTS_S

log = structlog.get_logger()

QUEUE_LENGTH = 64
JOURNAL_RETRY_S = 5.0
MOST_UNWRITTEN_INPUTS = 3600

MakeInput = Callable[[Stamp], Input]


class Engine:
    """Runs one collector. ``live`` is handed publications that are not stored: measurements, and
    while the journal cannot be written also what should have been stored. ``fed`` is called for
    each completed step."""

    def __init__(
        self,
        setpoints: Setpoints,
        *,
        clock: Clock,
        journal: Journal,
        outputs: Outputs,
        renderer: Renderer,
        live: Callable[[Publication], None],
        fed: Callable[[], None],
        flush_s: float,
        measurement_every_s: float,
        deadbands: Deadbands | None = None,
    ) -> None:
        self._setpoints = setpoints
        self._clock = clock
        self._journal = journal
        self._renderer = renderer
        self._live = live
        self._fed = fed
        self._flush_s = flush_s
        self._reporter = ExceptionReporter(measurement_every_s, deadbands)
        self._actuator = Actuator(outputs, self._reported)
        self._queue: asyncio.Queue[MakeInput] = asyncio.Queue(QUEUE_LENGTH)
        # Reports of outputs are few (one for each command) and must never wait or be refused.
        self._reports: deque[MakeInput] = deque()
        self._arrived = asyncio.Event()
        self._awaiting_answer: dict[int, asyncio.Future[Event]] = {}  # by the id of the input
        self._inputs: list[Input] = []
        self._events: list[Event] = []
        self._publications: list[Publication] = []
        self._flushed_s = clock.now().mono_s
        self._journal_retry_s: float | None = None
        self._wake_at_s: float | None = None
        self._give_up_s: float | None = None
        self.step_s = 0.0
        """How long the last step took, from taking its input to its being stored, in seconds."""
        self.state: State
        """The present state; not to be changed by anybody else."""
        self.started = asyncio.Event()
        """Set once there is a state, and the valves have been commanded off."""
        self.decided = asyncio.Event()
        """Set once the first decision that rests on a reading has been made."""
        self.stopped = asyncio.Event()
        """Set once everything is stored after ``Stopping``; outputs that do not answer may still
        be tried."""

    async def post(self, make: MakeInput) -> None:
        """Hand in an input; it is stamped when it is taken, so stamps never run backwards."""
        await self._queue.put(make)
        self._arrived.set()

    async def request(self, make: MakeInput) -> Event:
        """Hand in a request and return its ``RequestAnswered`` event, committed."""
        answered: asyncio.Future[Event] = asyncio.get_running_loop().create_future()

        def stamped(at: Stamp) -> Input:
            request = make(at)
            self._awaiting_answer[id(request)] = answered
            return request

        await self.post(stamped)
        return await answered

    def secure(self) -> None:
        """Switch all valves off now, whatever the disk keeps the engine from deciding."""
        self._actuator.submit(AllValvesOff(NO_COMMAND))

    async def run(self) -> None:
        """Work until ``Stopping`` has been handled and every command that follows has been done."""
        try:
            async with asyncio.TaskGroup() as tasks:
                actuator = tasks.create_task(self._actuator.run())
                await self._start()
                while not self.state.stopping:
                    await self._handle((await self._next())(self._clock.now()))
                await self._wind_down()
                self.stopped.set()
                actuator.cancel()
        except (Exception, asyncio.CancelledError):
            # A bug, here or elsewhere: nobody decides any more, so nothing may stay energised.
            # Ending a pulse under way is not enough: a demand contact stays as it is.
            await self._actuator.last_off()
            raise

    async def _start(self) -> None:
        at = self._clock.now()
        stored = await self._journal.load(self._setpoints.collector)
        if stored is None:
            # A subscriber drops what has a number it knows, so none is given twice.
            last_seq = await self._journal.last_seq(self._setpoints.collector)
            self.state = replace(first_state(self._setpoints, at), next_seq=last_seq + 1)
        else:
            self.state = stored.state
        if self.state.journal.fault is not None:
            # It was stored, so the journal worked again, but the daemon ended before it said so:
            # that is reported once Restarted is stored.
            self._journal_retry_s = at.mono_s
        await self._handle(Restarted(at, _downtime_s(stored, at)))
        self.started.set()

    async def _wind_down(self) -> None:
        """Take in the outcomes of the last commands, and leave nothing unwritten."""
        self._give_up_s = self._clock.now().mono_s + OUTPUTS_S
        while self._reports or not self._actuator.is_idle:
            if self._clock.now().mono_s >= self._give_up_s:
                log.error("outputs did not answer in time", collector=self._setpoints.collector)
                break
            await self._handle((await self._next())(self._clock.now()))
        failed = await self._commit()
        if failed is not None:
            log.error("last entries are lost", detail=failed)

    async def _next(self) -> MakeInput:
        """The next input: an output's report first, then what is queued, else a wake-up."""
        loop = asyncio.get_running_loop()
        while True:
            if self._reports:
                return self._reports.popleft()
            if not self._queue.empty():
                return self._queue.get_nowait()
            self._arrived.clear()
            due_s = self._due_s()
            delay_s = None if due_s is None else due_s - self._clock.now().mono_s
            if delay_s is not None and delay_s <= 0:
                return Woke
            # A bare timer: nothing here is on the way of every reading without need.
            alarm = None if delay_s is None else loop.call_later(delay_s, self._arrived.set)
            try:
                await self._arrived.wait()
            finally:
                if alarm is not None:
                    alarm.cancel()

    def _due_s(self) -> float | None:
        """When to wake: for the core, to try the journal again, or to give up stopping in order."""
        times = (self._wake_at_s, self._journal_retry_s, self._give_up_s)
        return min((t for t in times if t is not None), default=None)

    async def _handle(self, happened: Input) -> None:
        before = self.state
        result = step(before, happened, self._setpoints)
        self.state, self._wake_at_s = result.state, result.wake_at_s
        changes = self._changes(before, happened, result)
        self._inputs.append(happened)
        self._events += result.events
        self._publications += changes
        is_poll = isinstance(happened, PollCompleted)
        # A measurement that takes account of no new event waits for no disk.
        if is_poll and not result.events:
            self._measurement(happened.at)
        await self._keep_and_act(happened.at.mono_s, result.commands, changes)
        self._answer(happened, result.events)
        self.step_s = self._clock.now().mono_s - happened.at.mono_s
        self._fed()
        if is_poll:
            if result.events:
                self._measurement(happened.at)
            self.decided.set()

    def _changes(self, before: State, happened: Input, result: Step) -> list[Publication]:
        if isinstance(happened, Restarted):
            # With other settings what is retained may say otherwise though the state is the same,
            # and what still waits from the life before must not be the last to be published.
            return [
                *self._renderer.events(result.events, result.state.sample.quality),
                *self._renderer.everything(result.state, happened.at.utc_s),
            ]
        if not result.events and result.state.decision is before.decision:
            return []
        return self._renderer.changes(before, result.state, result.events, happened.at.utc_s)

    async def _keep_and_act(
        self, now_s: float, commands: Sequence[Command], changes: Sequence[Publication]
    ) -> None:
        """Commit first, then act. What could not be committed is not done; it is published live,
        since the outbox is out of reach too. What only makes things safer does not wait: a disk
        may take seconds, and a pulse whose time is up must not overtake its all-off meanwhile."""
        self._submit(filter(_only_safer, commands))
        waiting = list(filterfalse(_only_safer, commands))
        urgent = bool(commands or changes)
        if not self._commit_is_due(now_s, urgent=urgent):
            self._go_without_journal(waiting, changes)
            return
        failed = await self._commit(urgent=urgent)
        if failed is None:
            self._submit(waiting)
        else:
            self._go_without_journal(waiting, changes)
        await self._note_commit(now_s, failed)

    def _submit(self, commands: Iterable[Command]) -> None:
        for command in commands:
            self._actuator.submit(command)

    def _go_without_journal(
        self, commands: Sequence[Command], changes: Sequence[Publication]
    ) -> None:
        for command in commands:
            self._reported(command.command_id, OutputReport(Outcome.WITHHELD, "not committed"))
        for publication in changes:
            # An event must not overtake those in the outbox, nor lend its number to another if it
            # is lost in a crash: it is published when it is stored.
            if publication.keep is not Keep.EVENT:
                self._live(publication)

    async def _note_commit(self, now_s: float, failed: str | None) -> None:
        was_writable, is_writable = self._journal_retry_s is None, failed is None
        if is_writable:
            self._flushed_s, self._journal_retry_s = now_s, None
        else:
            self._journal_retry_s = now_s + JOURNAL_RETRY_S
        if is_writable != was_writable:
            await self._handle(JournalReported(self._clock.now(), is_writable, failed or ""))

    def _commit_is_due(self, now_s: float, *, urgent: bool) -> bool:
        """What is not urgent is stored at the same moments for every collector of the daemon, so
        that they share what a transaction costs."""
        if self._journal_retry_s is not None:
            return now_s >= self._journal_retry_s
        if urgent or self._flush_s == 0.0:
            return True
        return now_s // self._flush_s > self._flushed_s // self._flush_s

    async def _commit(self, *, urgent: bool = True) -> str | None:
        """Store everything since the last commit, or nothing: then why."""
        failed = await self._journal.commit(
            Commit(
                self._setpoints.collector,
                self._inputs,
                self.state,
                self._events,
                [p for p in self._publications if p.keep is not Keep.LIVE],
                urgent,
            )
        )
        if failed is None:
            self._inputs, self._events, self._publications = [], [], []
        elif len(self._inputs) > MOST_UNWRITTEN_INPUTS:
            # Events are kept however many they become; the raw inputs behind them are not.
            del self._inputs[:-MOST_UNWRITTEN_INPUTS]
        return failed

    def _reported(self, command_id: int, report: OutputReport) -> None:
        if command_id == NO_COMMAND:
            return  # not of the core
        self._reports.append(
            lambda at: OutputReported(at, command_id, report.outcome, report.detail)
        )
        self._arrived.set()

    def _answer(self, happened: Input, events: Sequence[Event]) -> None:
        waiting = self._awaiting_answer.pop(id(happened), None)
        if waiting is not None and not waiting.done():
            waiting.set_result(next(e for e in events if isinstance(e.body, RequestAnswered)))

    def _measurement(self, at: Stamp) -> None:
        if self._reporter.is_due(self.state, at.mono_s):
            self._live(self._renderer.measurement(self.state, at.utc_s))


def _downtime_s(stored: Stored | None, at: Stamp) -> float | None:
    """How long nothing ran, where both clocks were set."""
    if stored is None or stored.utc_s is None or at.utc_s is None:
        return None
    return max(0.0, at.utc_s - stored.utc_s)


def _only_safer(command: Command) -> bool:
    """Commands that take energy away need no record first."""
    match command:
        case AllValvesOff() | SetDemand(closed=False) | SetBlowerRun(run=False):
            return True
    return False
