"""Carrying a commissioning out: one for each collector, in the daemon, so that neither a person who
leaves nor a restart ends it."""

import asyncio
import secrets
from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

import structlog

from dustcake.adapters.modbus import Bus, Read
from dustcake.adapters.record_file import FileProblemError, RecordFile
from dustcake.commissioning.observation import Moment, Observation, equipment_of
from dustcake.commissioning.procedure import (
    Action,
    ActionResult,
    Content,
    ProcedureStep,
    RefusedError,
    StepState,
    blocked_by,
    current,
    failed,
    read_fields,
    refusal,
    state_of,
    view,
)
from dustcake.commissioning.record import (
    Record,
    RecordedAction,
    RecordError,
    decode,
    encode,
    place_of,
)
from dustcake.commissioning.report import RENDER, report
from dustcake.commissioning.scan import Words, scan
from dustcake.commissioning.steps import all_steps
from dustcake.core.inputs import ReadFailure
from dustcake.core.record import replace
from dustcake.core.requests.kinds import Identity
from dustcake.core.state import State
from dustcake.ports import Clock
from dustcake.publish.payloads import utc_text
from dustcake.publish.request_json import InvalidRequest, ParsedRequest, read_object, request_in
from dustcake.runtime.request_service import Requester
from dustcake.settings.buses import WordTable
from dustcake.settings.model import Collector, Settings

log = structlog.get_logger()

RETRY_S = 5.0
WINDOW_S = 30.0
BY_ITSELF = "dustcake"


@dataclass(eq=False)
class _RunningAction:
    """An action under way. ``is_waiting``: a scan, or the core's answer to its requests, decides
    before what is observed; ``progress``: how far a scan is."""

    step: ProcedureStep
    action: Action
    by: str
    observed: Observation
    progress: str = ""
    is_waiting: bool = True


class Commissioning:
    """The commissioning of one collector, whose newest state is ``state``. ``put_request``: puts a
    request to the core, and words its answer. ``observe`` has to be called after every step."""

    def __init__(
        self,
        settings: Settings,
        collector: Collector,
        put_request: Callable[[ParsedRequest | InvalidRequest, Requester], Awaitable[bytes]],
        state: Callable[[], State],
        buses: Mapping[str, Bus],
        clock: Clock,
    ) -> None:
        self._equipment = equipment_of(settings, collector)
        self._site_name = settings.site.name
        self._steps = all_steps(self._equipment)
        self._put_request, self._buses, self._clock = put_request, buses, clock
        self._file = RecordFile(place_of(Path(settings.journal.path), collector.name))
        self.record: Record | None = None
        self._state = state
        self._window: tuple[Moment, ...] = ()
        self._running: _RunningAction | None = None
        self._scan: asyncio.Task[None] | None = None
        self._problem = ""
        self._loaded = asyncio.Event()
        self._unsaved = asyncio.Event()

    async def run(self) -> None:
        """Load the record, and keep what is added to it on the disk, until cancelled."""
        await self._load()
        try:
            while True:
                await self._unsaved.wait()
                self._unsaved.clear()
                assert self.record is not None  # whoever adds to it has begun one
                await self._save(self.record)
        finally:
            if self._scan is not None:
                self._scan.cancel()

    async def _load(self) -> None:
        try:
            stored = await asyncio.to_thread(self._file.read)
            self.record = None if stored is None else decode(stored)
        except RecordError as error:
            await self._archive("damaged")
            self._problem = f"the record could not be read, and was set aside: {error}"
            log.warning("commissioning record set aside", cause=str(error))
        except FileProblemError as error:
            self._problem = str(error)
            log.error("commissioning record cannot be read", cause=str(error))
        self._loaded.set()

    async def _save(self, record: Record) -> None:
        try:
            await asyncio.to_thread(self._file.write, encode(record))
            self._problem = ""
        except FileProblemError as error:
            self._problem = f"the record cannot be written, and is tried again: {error}"
            log.error("commissioning record cannot be written", cause=str(error))
            await asyncio.sleep(RETRY_S)
            self._unsaved.set()

    async def _archive(self, ending: str) -> None:
        try:
            await asyncio.to_thread(self._file.quarantine, ending)
        except FileProblemError as error:
            log.error("commissioning record cannot be set aside", cause=str(error))

    def observe(self) -> None:
        """Take notice of the collector after a step."""
        if self.record is None or self.record.signature is not None:
            return
        now = Moment(self._clock.now().mono_s, self._state())
        if self._running is not None:
            self._follow(self._running, now)
        else:
            self._evaluate_automatic(self.record, now)

    def _follow(self, running: _RunningAction, now: Moment) -> None:
        observed = replace(running.observed, moments=(*running.observed.moments, now))
        running.observed = observed
        if running.is_waiting:
            return
        result = running.action.evaluate(observed)
        if result is None and observed.elapsed_s >= running.action.timeout_s:
            result = failed(
                f"nothing, or nothing steady, came within {observed.elapsed_s:.0f} s: try again"
            )
        if result is not None:
            self._finish(running, result)

    def _evaluate_automatic(self, record: Record, now: Moment) -> None:
        """Put on record what the daemon finds by itself, in the step it has come to."""
        self._window = *(one for one in self._window if now.at_s - one.at_s <= WINDOW_S), now
        step = current(self._steps, record)
        if step is None or state_of(step, record) is not StepState.UNDER_WAY:
            return
        observed = Observation(self._equipment, record, {}, self._window)
        for action in step.actions:
            result = action.work.automatic(observed)
            if result is not None:
                self._finish(_RunningAction(step, action, BY_ITSELF, observed), result)

    def _finish(self, running: _RunningAction, result: ActionResult) -> None:
        """Put on record what came of it."""
        assert self.record is not None
        self._running, self._window = None, ()
        step, action, by = running.step.name, running.action.name, running.by
        fields = dict(running.observed.fields)
        entry = RecordedAction(
            step=step,
            action=action,
            item=fields.get(running.action.item, ""),
            result=result.result,
            words=result.words,
            fields=fields,
            values=result.values,
            by=by,
            utc=utc_text(self._clock.now().utc_s),
        )
        self.record = replace(self.record, entries=(*self.record.entries, entry))
        if running.step is self._steps[-1]:
            self.record = self.record.signed(fields["name"], by, entry.utc)
        log.info("commissioning", step=step, action=action, result=result.result.value, by=by)
        self._unsaved.set()

    async def answer(self, request: Mapping[str, Any], by: str) -> Content:
        """Answer one request: ``show``, ``record``, ``begin`` or ``do``."""
        await self._loaded.wait()
        try:
            match request.get("commission"):
                case "show":
                    pass
                case "record":
                    return self._stored()
                case "begin":
                    await self._begin(by)
                case "do":
                    await self._do(request, by)
                case _:
                    return self._answer("`commission` must be one of show, record, begin, do")
        except RefusedError as refused:
            return self._answer(str(refused))
        return self._answer("")

    def _stored(self) -> Content:
        record = None if self.record is None else encode(self.record).decode()
        return {"accepted": record is not None, "reason": "no record yet", "record": record}

    async def report(self, form: str) -> bytes:
        """The report as ``html`` or ``pdf``. Raises RefusedError."""
        await self._loaded.wait()
        if self.record is None:
            raise RefusedError("there is no record yet")
        return await asyncio.to_thread(RENDER[form], report(self._equipment, self.record))

    def _answer(self, refused: str) -> Content:
        """The request was carried out, or the refusal; with the view as it now is."""
        running = self._running
        return {
            "accepted": not refused,
            "reason": refused or "done",
            "view": {
                **view(self._equipment, self._steps, self.record, self._state()),
                "under_way": running
                and {
                    "step": running.step.name,
                    "action": running.action.name,
                    "progress": running.progress,
                },
                "problem": self._problem,
            },
        }

    async def _begin(self, by: str) -> None:
        """Begin a record, and archive the one there was. Raises RefusedError."""
        if self._running is not None:
            raise RefusedError("something is under way: wait for its end")
        if self.record is not None:
            await self._archive("before")
        self._window = ()
        utc = utc_text(self._clock.now().utc_s)
        self.record = Record(self._equipment.collector.name, self._site_name, utc, by)
        self._unsaved.set()

    async def _do(self, request: Mapping[str, Any], by: str) -> None:
        """Begin an action; it is then under way, or done. Raises RefusedError."""
        running = self._prepared(request, by)
        action, observed = running.action, running.observed
        why = refusal(running.step, action, observed)
        if why is not None:
            raise RefusedError(why)
        # From here on nothing else is begun, while the core answers.
        self._running = running
        for content in action.work.requests(observed):
            await self._request(running, content)
        if action.scans:
            self._scan = asyncio.create_task(self._scan_bus(running))
            return
        running.is_waiting = False
        # What only puts on record what a person says need not wait for the next reading.
        result = action.evaluate(running.observed)
        if result is not None:
            self._finish(running, result)

    def _prepared(self, request: Mapping[str, Any], by: str) -> _RunningAction:
        """The action that is requested, with what the person answered. Raises RefusedError."""
        if self.record is None:
            raise RefusedError("there is no record yet: begin one")
        if self.record.signature is not None:
            raise RefusedError("the record is signed and closed: begin a new one")
        if self._running is not None:
            raise RefusedError(f"{self._running.action.title!r} is under way: wait for its end")
        step = _named("step", request, self._steps)
        action = _named("action", request, step.actions)
        first = blocked_by(self._steps, self.record, step)
        if first is not None:
            raise RefusedError(
                f"first comes {first.title!r}: finish it, or leave it out with the reason"
            )
        fields = request.get("fields", {})
        if not isinstance(fields, dict):
            raise RefusedError("`fields` must be an object")
        answers = read_fields(action.questions, fields)
        moment = Moment(self._clock.now().mono_s, self._state())
        observed = Observation(self._equipment, self.record, answers, (moment,))
        return _RunningAction(step, action, by, observed)

    async def _request(self, running: _RunningAction, content: Mapping[str, Any]) -> None:
        """Put a request to the core, and keep its answer. Raises RefusedError."""
        request = request_in({**content, "id": secrets.token_hex(16)})
        stated = await self._put_request(request, Requester(running.by, Identity.AUTHENTICATED))
        answer = read_object(stated)
        assert not isinstance(answer, InvalidRequest)  # it is our own
        if not answer["accepted"]:
            self._running = None
            raise RefusedError(answer["reason"])
        observed = running.observed
        running.observed = replace(observed, answers=(*observed.answers, answer))

    async def _scan_bus(self, running: _RunningAction) -> None:
        bus = self._buses[running.observed.fields["bus"]]

        async def read(unit: int, table: WordTable, first: int, count: int) -> Words | ReadFailure:
            return await bus.probe(Read(unit, table, first, count))

        def progress(text: str) -> None:
            running.progress = text

        self._finish(running, await scan(read, bus.name, running.observed, progress))


Named = TypeVar("Named", ProcedureStep, Action)


def _named(what: str, request: Mapping[str, Any], known: Sequence[Named]) -> Named:
    """The step or action that the request names. Raises RefusedError."""
    for one in known:
        if one.name == request.get(what):
            return one
    raise RefusedError(f"`{what}` must be one of {', '.join(one.name for one in known)}")
