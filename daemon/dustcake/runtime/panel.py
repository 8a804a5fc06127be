"""The daemon as the panel sees it."""

import asyncio
import json
import secrets
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any, TypeVar, TypeVarTuple

import structlog

from dustcake.adapters.panel import Fields, SourceError
from dustcake.adapters.store import History, StoreRefused
from dustcake.commissioning.procedure import RefusedError
from dustcake.core.events import LOG_BOOK
from dustcake.core.requests.kinds import Identity
from dustcake.core.setpoints import BlowerRequest
from dustcake.core.state import State
from dustcake.ports import Clock, Trend
from dustcake.publish.event_sentences import Display
from dustcake.publish.payloads import by_request_words, reason_fields, utc_text
from dustcake.publish.request_json import request_in
from dustcake.runtime.collector_service import CollectorService
from dustcake.runtime.request_service import Requester
from dustcake.settings.model import Settings
from dustcake.settings.services import Panel
from dustcake.settings.summary import Statement, summary
from dustcake.units import PressureUnit

log = structlog.get_logger()

T = TypeVar("T")
Wanted = TypeVarTuple("Wanted")

TREND_PARTS = 500
LOG_BOOK_ENTRIES = 60
_RECENT_EVENTS = 20_000


class PanelSource:
    """What the panel shows of every collector, and its requests to them."""

    def __init__(
        self, settings: Settings, services: Sequence[CollectorService], clock: Clock
    ) -> None:
        self._settings = settings
        self._services = {each.name: each for each in services}
        self._clock = clock
        self._journal = Path(settings.journal.path)
        # Threads share one core's worth of Python with control.
        self._one_at_a_time = asyncio.Lock()
        self.site = settings.site.name
        self.collectors: Mapping[str, PressureUnit] = {
            each.name: each.shown_in for each in services
        }
        self._last_pulses = {each.name: LastPulses() for each in services}
        for each in services:
            each.watchers.append(self._last_pulses[each.name].follow)

    def status(self, collector: str, unit: PressureUnit) -> Mapping[str, Any]:
        """What `dustcake status` says, in words of ``unit``; and the time of day, when each row was
        last pulsed and what came of it, what diagnosis has found, and whether the blower is run by
        hand (None: it is not)."""
        service = self._services[collector]
        status, state = service.status(unit), service.engine.state
        pulses = self._last_pulses[collector].utc_s
        for valve, seen in zip(status["valves"], state.pulse_response.valves, strict=False):
            valve["last_pulse"] = utc_text(pulses.get(valve["valve"]))
            valve["response"] = _rounded(seen.response)
            valve["dip"] = _rounded(seen.dip)
        by_hand = service.setpoints.blower.request is BlowerRequest.HAND
        return {
            "utc": utc_text(self._clock.now().utc_s),
            **status,
            "findings": [
                {
                    "finding": each.name.value,
                    "valve": each.valve,
                    **reason_fields(each.reason, unit),
                }
                for each in state.pulse_response.findings
            ],
            "blower_by_hand": state.blower.by_hand if by_hand else None,
        }

    async def request(self, collector: str, fields: Fields, by: str, unit: PressureUnit) -> Fields:
        """Put a request to the core, and say what became of it in words of ``unit``."""
        request = request_in({**fields, "id": secrets.token_hex(16)})
        requester = Requester(by, Identity.AUTHENTICATED, unit=unit)
        answer = await self._services[collector].request_service.answer(request, requester)
        content: Fields = json.loads(answer)
        return content

    async def trend(self, collector: str, length_s: float) -> Trend:
        """The trend of dP over the time up to now. Raises SourceError."""
        now_s = self._clock.now().utc_s
        if now_s is None:
            raise SourceError("no trend: the clock is not set yet; control goes on")
        return await self._read(History.trend, collector, now_s, length_s, TREND_PARTS)

    async def log_book(self, collector: str, unit: PressureUnit) -> Sequence[Fields]:
        """The newest entries, newest first. Raises SourceError."""
        wanted = (collector, LOG_BOOK, LOG_BOOK_ENTRIES, _RECENT_EVENTS)
        found = await self._read(History.newest, *wanted)
        display = Display(unit)
        return [{"utc": utc_text(one.at_utc_s), "text": one.sentence(display)} for one in found]

    def settings(self, collector: str) -> Sequence[Fields]:
        """What was understood of the settings, without those of other collectors; and which set
        points are not as they have them, by request."""
        by_request = self._services[collector].status()["set_points_by_request"]
        others = {f"collector {name}" for name in self._services.keys() - {collector}}
        statements = [
            Statement("in force", by_request_words(each), caution=True) for each in by_request
        ]
        statements += [each for each in summary(self._settings) if each.subject not in others]
        return [asdict(each) for each in statements]

    async def commission(self, collector: str, fields: Fields, by: str) -> Fields:
        """A piece of commissioning, requested by ``by``."""
        return await self._services[collector].commissioning.answer(fields, by)

    async def commission_report(self, collector: str, form: str) -> bytes:
        """The report of commissioning. Raises SourceError."""
        try:
            return await self._services[collector].commissioning.report(form)
        except RefusedError as refused:
            raise SourceError(str(refused)) from None

    async def remember_pulses(self) -> None:
        """Find in the journal when each row was last pulsed, as far as that is not long ago."""
        for name, pulses in self._last_pulses.items():
            wanted = (name, ("pulse",), _RECENT_EVENTS, _RECENT_EVENTS)
            try:
                events = await self._read(History.newest, *wanted)
            except SourceError as error:
                log.warning("panel cannot read the journal", cause=str(error))
                return
            for event in events:
                valve = event.fields.get("valve")
                if event.utc_s is not None and isinstance(valve, int):
                    pulses.utc_s.setdefault(valve, event.utc_s)

    async def _read(self, read: Callable[[History, *Wanted], T], *wanted: *Wanted) -> T:
        """What ``read`` finds of ``wanted`` in the journal, in a thread and with a connection of
        its own, that cannot write. Raises SourceError."""

        def read_now() -> T:
            with History(self._journal) as history:
                return read(history, *wanted)

        try:
            async with self._one_at_a_time:
                return await asyncio.to_thread(read_now)
        except StoreRefused as refused:
            raise SourceError(str(refused)) from None


class LastPulses:
    """When each row was last pulsed, by the counts of the state. ``utc_s``: by valve."""

    def __init__(self) -> None:
        self.utc_s: dict[int, float] = {}
        self._counts: tuple[int, ...] = ()

    def follow(self, state: State) -> None:
        """Take notice of the state after a step."""
        counts, at_s = state.pulsing.counts, state.sample.at.utc_s
        for valve, (now, then) in enumerate(zip(counts, self._counts, strict=False), start=1):
            if now != then and at_s is not None:
                self.utc_s[valve] = at_s
        self._counts = counts


def _rounded(share: float | None) -> float | None:
    return None if share is None else round(share, 3)


async def serve_panel(panel: Panel, source: PanelSource, clock: Clock) -> None:
    """Serve the panel until cancelled."""
    from dustcake.adapters.http_server import serve_http
    from dustcake.adapters.panel.live import Live
    from dustcake.adapters.panel.web import Web

    def now_s() -> float:
        return clock.now().mono_s

    await source.remember_pulses()
    live = Live(source.status, now_s)
    app = Web(panel, source, live, now_s).app()
    tls = None if panel.tls is None else (panel.tls.cert_file, panel.tls.key_file)
    await serve_http(app, panel.host, panel.port, table="panel", tls=tls, let_go=live.close)
