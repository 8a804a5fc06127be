"""Carrying a commissioning out: one for each collector, in the daemon, so that neither a person who
leaves nor a restart ends it."""

import asyncio
import secrets
from collections import deque
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Protocol

import structlog

from dustcake.adapters.modbus import Bus, Read
from dustcake.adapters.record_file import FileProblemError, RecordFile
from dustcake.commissioning.observation import Observation, Snapshot, equipment_of, snapshot_of
from dustcake.commissioning.procedure import (
    SETTLED,
    Action,
    ActionResult,
    ProcedureStep,
    StepState,
    blocked_by,
    failed,
    state_of,
)
from dustcake.commissioning.questions import FieldError, Fields, read_fields
from dustcake.commissioning.record import (
    Record,
    RecordedAction,
    RecordError,
    decode,
    encode,
    place_of,
)
from dustcake.commissioning.report import MissingExtraError, report, to_html, to_pdf
from dustcake.commissioning.scan import Words, scan
from dustcake.commissioning.steps import SIGN, all_steps
from dustcake.commissioning.view import Content, view
from dustcake.core.inputs import ReadFailure
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


class Answers(Protocol):
    """The way to the core."""

    async def answer(self, request: ParsedRequest | InvalidRequest, requester: Requester) -> bytes:
        """Put a request to it, and word the answer."""
        ...


class _RunningAction:
    """An action under way. ``is_waiting``: the core has not answered its requests yet;
    ``progress``: how far a scan is."""

    def __init__(
        self, step: ProcedureStep, action: Action, fields: Fields, by: str, first: Snapshot
    ) -> None:
        self.step, self.action, self.fields, self.by = step, action, fields, by
        self.snapshots = [first]
        self.progress = ""
        self.is_waiting = True
        self.answers: list[Content] = []

    @property
    def item(self) -> str:
        return str(self.fields[self.action.item]) if self.action.item else ""


class Commissioning:
    """The commissioning of one collector. ``observe`` has to be called after every step."""

    def __init__(
        self,
        settings: Settings,
        collector: Collector,
        request_service: Answers,
        buses: Mapping[str, Bus],
        clock: Clock,
    ) -> None:
        self._equipment = equipment_of(settings, collector)
        self._site_name = settings.site.name
        self._steps = all_steps(self._equipment)
        self._request_service, self._buses, self._clock = request_service, buses, clock
        self._file = RecordFile(place_of(Path(settings.journal.path), collector.name))
        self._record: Record | None = None
        self._state: State | None = None
        self._window: deque[Snapshot] = deque()
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
                assert self._record is not None  # whoever adds to it has begun one
                await self._save(self._record)
        finally:
            if self._scan is not None:
                self._scan.cancel()

    async def _load(self) -> None:
        try:
            stored = await asyncio.to_thread(self._file.read)
            self._record = None if stored is None else decode(stored)
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

    def observe(self, state: State) -> None:
        """Take notice of the collector after a step."""
        self._state = state
        if self._record is None or self._record.signature is not None:
            return
        if self._running is not None:
            self._follow(self._running, self._snapshot(state))
        else:
            self._evaluate_automatic(self._snapshot(state))

    def _snapshot(self, state: State) -> Snapshot:
        return snapshot_of(state, self._equipment.setpoints, self._clock.now().mono_s)

    def _follow(self, running: _RunningAction, now: Snapshot) -> None:
        running.snapshots.append(now)
        if running.action.scans or running.is_waiting:
            return
        observed = self._observation(running)
        result = running.action.evaluate(observed)
        if result is None and observed.elapsed_s >= running.action.timeout_s:
            result = failed(
                f"nothing, or nothing steady, came within {observed.elapsed_s:.0f} s: try again"
            )
        if result is not None:
            self._finish(running, result)

    def _evaluate_automatic(self, now: Snapshot) -> None:
        """What the daemon finds by itself, in the step it has come to."""
        self._window.append(now)
        while now.at_s - self._window[0].at_s > WINDOW_S:
            self._window.popleft()
        assert self._record is not None
        for step in self._steps:
            state = state_of(step, self._record)
            if step.automatic is not None and state is StepState.UNDER_WAY:
                observed = Observation(self._equipment, self._record, {}, tuple(self._window))
                result = step.automatic(observed)
                if result is not None:
                    self._add(step, step.required[0][0], "", {}, result, BY_ITSELF)
            elif state not in SETTLED:
                return

    def _observation(self, running: _RunningAction) -> Observation:
        assert self._record is not None
        return Observation(
            self._equipment,
            self._record,
            running.fields,
            tuple(running.snapshots),
            tuple(running.answers),
        )

    def _finish(self, running: _RunningAction, result: ActionResult) -> None:
        self._running = None
        self._window.clear()
        step, action = running.step, running.action
        self._add(step, action.name, running.item, running.fields, result, running.by)

    def _add(
        self,
        step: ProcedureStep,
        action: str,
        item: str,
        fields: Fields,
        result: ActionResult,
        by: str,
    ) -> None:
        assert self._record is not None
        utc = utc_text(self._clock.now().utc_s)
        entry = RecordedAction(
            step.name,
            action,
            item,
            result.result,
            result.words,
            dict(fields),
            result.values,
            by,
            utc,
        )
        self._record = self._record.with_entry(entry)
        if step.name == SIGN.name:
            self._record = self._record.signed(str(fields["name"]), by, utc)
        log.info("commissioning", step=step.name, action=action, result=result.result.value, by=by)
        self._unsaved.set()

    async def answer(self, request: Mapping[str, Any], by: str) -> Content:
        """Answer one request: ``show``, ``record``, ``begin`` or ``do``."""
        await self._loaded.wait()
        match request.get("commission"):
            case "show":
                return self._answer("")
            case "record":
                record = None if self._record is None else encode(self._record).decode()
                return {"accepted": record is not None, "reason": "no record yet", "record": record}
            case "begin":
                return self._answer(await self._begin(by))
            case "do":
                return self._answer(await self._do(request, by))
        return self._answer("`commission` must be one of show, record, begin, do")

    async def report(self, form: str) -> bytes | str:
        """The report as ``html`` or ``pdf``; why there is none."""
        await self._loaded.wait()
        if self._record is None:
            return "there is no record yet"
        content = report(self._equipment, self._record)
        if form == "html":
            return to_html(content).encode()
        try:
            return await asyncio.to_thread(to_pdf, content)
        except MissingExtraError as error:
            return str(error)

    def _answer(self, refusal: str) -> Content:
        """The request was carried out, or the refusal; with the view as it now is."""
        running, state = self._running, self._state
        now = None if state is None else self._snapshot(state)
        return {
            "accepted": not refusal,
            "reason": refusal or "done",
            "view": {
                **view(self._equipment, self._steps, self._record, now),
                "under_way": None
                if running is None
                else {
                    "step": running.step.name,
                    "action": running.action.name,
                    "progress": running.progress,
                },
                "problem": self._problem,
            },
        }

    async def _begin(self, by: str) -> str:
        """Begin a record, and archive the one there was. Returns a refusal, or nothing."""
        if self._running is not None:
            return "something is under way: wait for its end"
        if self._record is not None:
            await self._archive("before")
        self._window.clear()
        utc = utc_text(self._clock.now().utc_s)
        self._record = Record(self._equipment.collector.name, self._site_name, utc, by)
        self._unsaved.set()
        return ""

    async def _do(self, request: Mapping[str, Any], by: str) -> str:
        """Begin an action. Returns a refusal, or nothing: it is under way, or done."""
        found = self._found(request)
        if isinstance(found, str):
            return found
        step, action, fields = found
        assert self._state is not None  # or it would have been refused
        running = _RunningAction(step, action, fields, by, self._snapshot(self._state))
        observed = self._observation(running)
        refusal = action.refuse(observed)
        if refusal is not None:
            return refusal
        # From here on nothing else is begun, while the core answers.
        self._running = running
        for content in action.requests(observed):
            answer = await self._request(content, by)
            if not answer["accepted"]:
                self._running = None
                return str(answer["reason"])
            running.answers.append(answer)
        running.is_waiting = False
        if action.scans:
            self._scan = asyncio.create_task(self._scan_bus(running))
            return ""
        # What only puts on record what a person says need not wait for the next reading.
        result = action.evaluate(self._observation(running))
        if result is not None:
            self._finish(running, result)
        return ""

    def _found(self, request: Mapping[str, Any]) -> tuple[ProcedureStep, Action, Fields] | str:
        if self._record is None:
            return "there is no record yet: begin one"
        if self._record.signature is not None:
            return "the record is signed and closed: begin a new one"
        if self._state is None:
            return "nothing has been read yet: try again"
        if self._running is not None:
            return f"{self._running.action.title!r} is under way: wait for its end"
        step = next((one for one in self._steps if one.name == request.get("step")), None)
        if step is None:
            return f"`step` must be one of {', '.join(one.name for one in self._steps)}"
        action = next((one for one in step.actions if one.name == request.get("action")), None)
        if action is None:
            return f"`action` must be one of {', '.join(one.name for one in step.actions)}"
        first = blocked_by(self._steps, self._record, step.name)
        if first is not None:
            return f"first comes {first.title!r}: finish it, or leave it out with the reason"
        fields = request.get("fields", {})
        if not isinstance(fields, dict):
            return "`fields` must be an object"
        try:
            return step, action, read_fields(action.questions, fields)
        except FieldError as error:
            return str(error)

    async def _request(self, content: Mapping[str, Any], by: str) -> Content:
        """Put a request to the core; its answer."""
        request = request_in({**content, "id": secrets.token_hex(16)})
        requester = Requester(by, Identity.AUTHENTICATED)
        answer = read_object(await self._request_service.answer(request, requester))
        assert not isinstance(answer, InvalidRequest)  # it is our own
        return answer

    async def _scan_bus(self, running: _RunningAction) -> None:
        bus = self._buses[str(running.fields["bus"])]

        async def read(unit: int, table: WordTable, first: int, count: int) -> Words | ReadFailure:
            return await bus.probe(Read(unit, table, first, count))

        def progress(text: str) -> None:
            running.progress = text

        self._finish(running, await scan(read, bus.name, self._observation(running), progress))
