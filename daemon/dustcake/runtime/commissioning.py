"""Carrying a commissioning out: one for each collector, in the daemon, so that neither a person who
leaves nor a restart ends it."""

import asyncio
import secrets
from collections import deque
from collections.abc import Mapping
from functools import partial
from pathlib import Path
from typing import Any, Protocol

import structlog

from dustcake.adapters.modbus import BusLine
from dustcake.adapters.record_file import FileProblemError, RecordFile
from dustcake.commissioning.parts import (
    SETTLED,
    Action,
    FieldError,
    Step,
    StepState,
    read_fields,
    state_of,
)
from dustcake.commissioning.record import Entry, Record, RecordError, decode, encode, place_of
from dustcake.commissioning.report.content import report
from dustcake.commissioning.report.html import to_html
from dustcake.commissioning.report.pdf import MissingExtraError, to_pdf
from dustcake.commissioning.seen import Fields, Outcome, Seen, Site, Watched, failed, seen_in
from dustcake.commissioning.steps import SIGN, all_steps, barred
from dustcake.commissioning.view import Content, view
from dustcake.core.record import replace
from dustcake.core.requests.kinds import Identity
from dustcake.core.state import State
from dustcake.ports import Clock
from dustcake.publish.payloads import utc_text
from dustcake.publish.request_json import InvalidRequest, ParsedRequest, read_object, request_in
from dustcake.runtime.answering import Asker
from dustcake.runtime.commission_scan import scanned
from dustcake.settings.collector import Collector
from dustcake.settings.model import Settings
from dustcake.settings.setpoints import to_setpoints

log = structlog.get_logger()

RETRY_S = 5.0
WINDOW_S = 30.0
BY_ITSELF = "dustcake"


class Answers(Protocol):
    """The way to the core."""

    async def answer(self, asked: ParsedRequest | InvalidRequest, asker: Asker) -> bytes:
        """Put a request to it, and word the answer."""
        ...


class _UnderWay:
    """An action that is being watched. ``is_asking``: the core has not answered yet; ``progress``:
    how far a scan is."""

    def __init__(self, step: Step, action: Action, fields: Fields, by: str, first: Seen) -> None:
        self.step, self.action, self.fields, self.by = step, action, fields, by
        self.seen = [first]
        self.progress = ""
        self.is_asking = True
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
        answering: Answers,
        buses: Mapping[str, BusLine],
        clock: Clock,
    ) -> None:
        self._site = Site(
            collector, to_setpoints(collector), tuple(bus.name for bus in settings.buses)
        )
        self._site_name = settings.site.name
        self._steps = all_steps(self._site)
        self._answering, self._buses, self._clock = answering, buses, clock
        self._file = RecordFile(place_of(Path(settings.journal.path), collector.name))
        self._record: Record | None = None
        self._state: State | None = None
        self._window: deque[Seen] = deque()
        self._under_way: _UnderWay | None = None
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
            await self._put_by("damaged")
            self._problem = f"the record could not be read, and was put by: {error}"
            log.warning("commissioning record put by", cause=str(error))
        except FileProblemError as error:
            self._problem = str(error)
            log.error("commissioning record cannot be read", cause=str(error))
        self._loaded.set()

    async def _save(self, one: Record) -> None:
        try:
            await asyncio.to_thread(self._file.write, encode(one))
            self._problem = ""
        except FileProblemError as error:
            self._problem = f"the record cannot be written, and is tried again: {error}"
            log.error("commissioning record cannot be written", cause=str(error))
            await asyncio.sleep(RETRY_S)
            self._unsaved.set()

    async def _put_by(self, ending: str) -> None:
        try:
            await asyncio.to_thread(self._file.put_by, ending)
        except FileProblemError as error:
            log.error("commissioning record cannot be put by", cause=str(error))

    def observe(self, state: State) -> None:
        """Take notice of the collector after a step."""
        self._state = state
        if self._record is None or self._record.signature is not None:
            return
        if self._under_way is not None:
            self._watch(self._under_way, self._seen(state))
        else:
            self._look_by_itself(self._seen(state))

    def _seen(self, state: State) -> Seen:
        return seen_in(state, self._site.setpoints, self._clock.now().mono_s)

    def _watch(self, under_way: _UnderWay, now: Seen) -> None:
        under_way.seen.append(now)
        if under_way.action.scans or under_way.is_asking:
            return
        watched = self._of(under_way)
        outcome = under_way.action.judge(watched)
        if outcome is None and watched.elapsed_s >= under_way.action.patience_s:
            outcome = failed(
                f"nothing, or nothing steady, came within {watched.elapsed_s:.0f} s: try again"
            )
        if outcome is not None:
            self._finish(under_way, outcome)

    def _look_by_itself(self, now: Seen) -> None:
        """What the daemon finds without being asked, in the step it has come to."""
        self._window.append(now)
        while now.at_s - self._window[0].at_s > WINDOW_S:
            self._window.popleft()
        assert self._record is not None
        for step in self._steps:
            state = state_of(step, self._record)
            if step.by_itself is not None and state is StepState.UNDER_WAY:
                outcome = step.by_itself(self._watched({}, tuple(self._window)))
                if outcome is not None:
                    self._add(step, step.proofs[0][0], "", {}, outcome, BY_ITSELF)
            elif state not in SETTLED:
                return

    def _watched(self, fields: Fields, seen: tuple[Seen, ...]) -> Watched:
        assert self._record is not None
        return Watched(self._site, self._record, fields, seen)

    def _of(self, under_way: _UnderWay) -> Watched:
        answers = tuple(under_way.answers)
        return replace(self._watched(under_way.fields, tuple(under_way.seen)), answers=answers)

    def _finish(self, under_way: _UnderWay, outcome: Outcome) -> None:
        self._under_way = None
        self._window.clear()
        step, action = under_way.step, under_way.action
        self._add(step, action.name, under_way.item, under_way.fields, outcome, under_way.by)

    def _add(
        self, step: Step, action: str, item: str, fields: Fields, outcome: Outcome, by: str
    ) -> None:
        assert self._record is not None
        utc = utc_text(self._clock.now().utc_s)
        entry = Entry(
            step.name,
            action,
            item,
            outcome.result,
            outcome.words,
            dict(fields),
            outcome.values,
            by,
            utc,
        )
        self._record = self._record.with_entry(entry)
        if step.name == SIGN:
            self._record = self._record.signed(str(fields["name"]), by, utc)
        log.info("commissioning", step=step.name, action=action, result=outcome.result.value, by=by)
        self._unsaved.set()

    async def answer(self, asked: Mapping[str, Any], by: str) -> Content:
        """Answer one request: ``show``, ``record``, ``begin`` or ``do``."""
        await self._loaded.wait()
        what = asked.get("commission")
        if what == "show":
            return self._told("")
        if what == "record":
            record = None if self._record is None else encode(self._record).decode()
            return {"accepted": record is not None, "reason": "no record yet", "record": record}
        if what == "begin":
            return self._told(await self._begin(by))
        if what == "do":
            return self._told(await self._do(asked, by))
        return self._told("`commission` must be one of show, record, begin, do")

    async def report(self, form: str) -> bytes | str:
        """The report as ``html`` or ``pdf``; why there is none."""
        await self._loaded.wait()
        if self._record is None:
            return "there is no record yet"
        content = report(self._site, self._record)
        if form == "html":
            return to_html(content).encode()
        try:
            return await asyncio.to_thread(to_pdf, content)
        except MissingExtraError as error:
            return str(error)

    def _told(self, refusal: str) -> Content:
        """What was asked for was done, or the refusal; and how all stands."""
        under_way = self._under_way
        return {
            "accepted": not refusal,
            "reason": refusal or "done",
            "view": {
                **view(
                    self._site,
                    self._steps,
                    self._record,
                    None if self._state is None else self._seen(self._state),
                ),
                "under_way": None
                if under_way is None
                else {
                    "step": under_way.step.name,
                    "action": under_way.action.name,
                    "progress": under_way.progress,
                },
                "problem": self._problem,
            },
        }

    async def _begin(self, by: str) -> str:
        """Begin a record, and put by the one there was. Returns a refusal, or nothing."""
        if self._under_way is not None:
            return "something is under way: wait for its end"
        if self._record is not None:
            await self._put_by("before")
        self._window.clear()
        utc = utc_text(self._clock.now().utc_s)
        self._record = Record(self._site.collector.name, self._site_name, utc, by)
        self._unsaved.set()
        return ""

    async def _do(self, asked: Mapping[str, Any], by: str) -> str:
        """Begin an action. Returns a refusal, or nothing: it is under way, or done."""
        found = self._found(asked)
        if isinstance(found, str):
            return found
        step, action, fields = found
        assert self._record is not None  # or it would have been refused
        assert self._state is not None
        now = self._seen(self._state)
        refusal = action.refuse(self._watched(fields, (now,)))
        if refusal is not None:
            return refusal
        under_way = _UnderWay(step, action, fields, by, now)
        # From here on nothing else is begun, while the core is asked.
        self._under_way = under_way
        for request in action.requests(self._watched(fields, (now,))):
            told = await self._ask(request, by)
            if not told["accepted"]:
                self._under_way = None
                return str(told["reason"])
            under_way.answers.append(told)
        under_way.is_asking = False
        if action.scans:
            self._scan = asyncio.create_task(self._scanning(under_way))
            return ""
        # What only puts on record what a person says need not wait for the next reading.
        outcome = action.judge(self._of(under_way))
        if outcome is not None:
            self._finish(under_way, outcome)
        return ""

    def _found(self, asked: Mapping[str, Any]) -> tuple[Step, Action, Fields] | str:
        if self._record is None:
            return "there is no record yet: begin one"
        if self._record.signature is not None:
            return "the record is signed and closed: begin a new one"
        if self._state is None:
            return "nothing has been read yet: try again"
        if self._under_way is not None:
            return f"{self._under_way.action.title!r} is under way: wait for its end"
        step = next((one for one in self._steps if one.name == asked.get("step")), None)
        if step is None:
            return f"`step` must be one of {', '.join(one.name for one in self._steps)}"
        action = next((one for one in step.actions if one.name == asked.get("action")), None)
        if action is None:
            return f"`action` must be one of {', '.join(one.name for one in step.actions)}"
        first = barred(self._steps, self._record, step.name)
        if first is not None:
            return f"first comes {first.title!r}: finish it, or leave it out with the reason"
        fields = asked.get("fields", {})
        if not isinstance(fields, dict):
            return "`fields` must be an object"
        try:
            return step, action, read_fields(action, fields)
        except FieldError as error:
            return str(error)

    async def _ask(self, request: Mapping[str, Any], by: str) -> Content:
        """Put a request to the core; its answer."""
        asked = request_in({**request, "id": secrets.token_hex(16)})
        asker = Asker(by, Identity.AUTHENTICATED)
        told = read_object(await self._answering.answer(asked, asker))
        assert not isinstance(told, InvalidRequest)  # it is our own
        return told

    async def _scanning(self, under_way: _UnderWay) -> None:
        def told(progress: str) -> None:
            under_way.progress = progress

        assert self._record is not None
        watched = partial(self._watched, under_way.fields)
        bus = self._buses[str(under_way.fields["bus"])]
        outcome = await scanned(bus, watched((under_way.seen[-1],)), told)
        self._finish(under_way, outcome)
