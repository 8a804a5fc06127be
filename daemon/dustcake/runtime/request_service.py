"""Requests from outside: who may make them, and how many; handed to the engine, and answered."""

import asyncio
import json
from collections import OrderedDict
from collections.abc import Awaitable, Callable, Mapping
from enum import Enum
from functools import partial
from types import MappingProxyType
from typing import Any

from dustcake.adapters.mqtt import Incoming, Reply
from dustcake.core.events import RequestAnswered
from dustcake.core.inputs import OperatorRequested, RequestRefused
from dustcake.core.reasons import Because, Reason, because
from dustcake.core.record import record
from dustcake.core.requests.definitions import KIND_OF, Level, name_of
from dustcake.core.requests.kinds import Identity
from dustcake.ports import Clock
from dustcake.publish.request_json import (
    InvalidRequest,
    ParsedRequest,
    age_refusal,
    read_object,
    read_request,
    reply,
    request_in,
)
from dustcake.publish.topics import Topics
from dustcake.runtime.engine import Engine, MakeInput
from dustcake.settings.services import Mqtt
from dustcake.units import PressureUnit

ANSWER_WITHIN_S = 5.0
MOST_SOURCES = 64


class RateDecision(Enum):
    """What is done with a request."""

    ACCEPTED = "accepted"
    REFUSED = "refused"  # on record: the first of a flood that is too much
    UNRECORDED = "refused in words alone"


@record
class _Left:
    """How many requests a source has left, and since when. ``is_flood``: it has made too many, and
    has not been calm since."""

    requests: float
    at_s: float
    is_flood: bool = False


class RateLimit:
    """``per_minute`` requests at once, and as many a minute after that, from each source. Of the
    sources only the newest ``MOST_SOURCES`` are remembered."""

    def __init__(self, per_minute: int) -> None:
        self.per_minute = per_minute
        self._left: OrderedDict[str, _Left] = OrderedDict()

    def take(self, source: str, now_s: float) -> RateDecision:
        """Count one request of ``source``, at monotonic time ``now_s``."""
        before = self._left.pop(source, _Left(float(self.per_minute), now_s))
        gained = (now_s - before.at_s) * self.per_minute / 60.0
        requests = min(float(self.per_minute), before.requests + gained)
        if len(self._left) >= MOST_SOURCES:
            self._left.popitem(last=False)
        is_flood = before.is_flood and requests < self.per_minute / 2.0
        if requests >= 1.0:
            self._left[source] = _Left(requests - 1.0, now_s, is_flood)
            return RateDecision.ACCEPTED
        self._left[source] = _Left(requests, now_s, True)
        return RateDecision.UNRECORDED if is_flood else RateDecision.REFUSED


@record
class Requester:
    """Who makes a request. ``by`` begins with the way it came in; ``level``: what they may request,
    and ``elsewhere`` where more is accepted; ``is_named``: whether ``by`` names the person, so that
    the request need not. ``unit``: of the answer; None: that of the collector."""

    by: str
    identity: Identity
    level: Level = Level.ADJUST
    elsewhere: str = "no request"
    is_named: bool = True
    unit: PressureUnit | None = None


class RequestService:
    """Requests to one collector. Each goes on record, also when it is refused here."""

    def __init__(self, engine: Engine, unit: PressureUnit, clock: Clock) -> None:
        self._engine = engine
        self._unit = unit
        self.clock = clock
        # Readings come to the engine by the same queue, and each request may take it a commit.
        self._one_at_a_time = asyncio.Lock()

    async def answer(
        self,
        request: ParsedRequest | InvalidRequest,
        requester: Requester,
        refusal: Reason | None = None,
        *,
        limit: RateLimit | None = None,
        source: str = "",
    ) -> bytes:
        """Hand a request to the core, if ``requester`` may make it; the answer as JSON. The name a
        request itself gives is recorded beside ``requester.by``. ``refusal``: why it is refused
        whatever it is. Where ``source`` exceeds ``limit``, the first request too many is refused on
        record, what follows only in words."""
        request_id = request.request_id or ""
        if limit is not None:
            decision = limit.take(source, self.clock.now().mono_s)
            if decision is not RateDecision.ACCEPTED:
                refusal = because(Because.TOO_MANY, per_minute=limit.per_minute)
                if decision is RateDecision.UNRECORDED:
                    return self.refuse_unrecorded(refusal, request_id)
        make = _input(request, requester, refusal)
        try:
            async with asyncio.timeout(ANSWER_WITHIN_S), self._one_at_a_time:
                event = await self._engine.request(make)
        except TimeoutError:
            late = because(Because.NOT_IN_TIME, within_s=ANSWER_WITHIN_S)
            return self.refuse_unrecorded(late, request_id)
        assert isinstance(event.body, RequestAnswered)
        return reply(event.body, event.at.utc_s, event.seq, requester.unit or self._unit)

    def refuse_unrecorded(self, reason: Reason, request_id: str = "") -> bytes:
        """Refuse in words alone: what comes in floods must not fill the journal."""
        refused = RequestAnswered(request_id, "", "", False, reason)
        now, seq = self.clock.now(), self._engine.state.next_seq - 1
        return reply(refused, now.utc_s, seq, self._unit)


def _input(
    request: ParsedRequest | InvalidRequest, requester: Requester, refusal: Reason | None
) -> MakeInput:
    """The input for the engine: the request, or the record that it was refused."""
    about: dict[str, Any] = {
        "by": requester.by,
        "request_id": request.request_id or "",
        "identity": requester.identity,
    }
    if isinstance(request, InvalidRequest):
        return partial(RequestRefused, request="", reason=refusal or request.reason, **about)
    if request.by:
        about["by"] += f":{request.by}"
        if requester.identity is Identity.UNKNOWN:
            about["identity"] = Identity.CLAIMED
    name = name_of(request.request)
    refusal = refusal or _refusal(request, name, requester)
    if refusal is not None:
        return partial(RequestRefused, request=name, reason=refusal, **about)
    return partial(OperatorRequested, request=request.request, **about)


def _refusal(request: ParsedRequest, name: str, requester: Requester) -> Reason | None:
    if not requester.level.may_request(name):
        return because(Because.LEVEL_TOO_LOW, requester.elsewhere)
    if not (request.by or requester.is_named) and KIND_OF[name].name_required:
        return because(Because.NOT_NAMED)
    return None


Commission = Callable[[Mapping[str, Any], str], Awaitable[Mapping[str, Any]]]


async def answer_local(
    line: bytes,
    by: str,
    services: Mapping[str, RequestService],
    status: Mapping[str, Any],
    commission: Mapping[str, Commission] = MappingProxyType({}),
) -> bytes:
    """One line of the local socket: ``{"status": true}``, or a request, or a piece of
    commissioning; those name their collector unless there is only one. The kernel identifies the
    user, so a name in the request itself is not recorded."""
    content = read_object(line)
    if isinstance(content, InvalidRequest):
        return _refused(f"not understood: {content.problem}")
    if len(content) == 1 and content.get("status") is True:
        statuses = {name: read() for name, read in status.items()}
        return json.dumps({"collectors": statuses}, ensure_ascii=False).encode()
    only = next(iter(services)) if len(services) == 1 else None
    name = content.pop("collector", only)
    if name not in list(services):  # it may be anything, and need not have a hash
        return _refused(f"name one of the collectors: {', '.join(services)}")
    if "commission" in content and name in commission:
        answer = await commission[name](content, f"local:{by}")
        return json.dumps(answer, ensure_ascii=False).encode()
    content.pop("by", None)
    requester = Requester(f"local:{by}", Identity.AUTHENTICATED)
    return await services[name].answer(request_in(content), requester)


def _refused(reason: str) -> bytes:
    return json.dumps({"accepted": False, "reason": reason}, ensure_ascii=False).encode()


class MqttRequests:
    """Requests to one collector over MQTT in plain mode. The topic gives the level and the name of
    the requester; that the name is true is up to the broker's access rules, and ``names_checked``
    means that they see to it."""

    def __init__(self, mqtt: Mqtt, topics: Topics, request_service: RequestService) -> None:
        self._topics = topics
        self._request_service = request_service
        self._checked = mqtt.names_checked
        self._valid_s = mqtt.request_expiry_s
        self._rate_limit = RateLimit(mqtt.requests_per_minute)
        levels = {Level.ACKNOWLEDGE: mqtt.requests_enabled, Level.ADJUST: mqtt.requests_adjust}
        self.filters = tuple(topics.requests(level) for level, taken in levels.items() if taken)
        """Topic filters to listen to."""

    async def answer(self, incoming: Incoming) -> Reply:
        """Answer one request, always."""
        level, name = self._topics.asked_by(incoming.topic)
        reply_topic = self._topics.of("reply", name=name)
        if incoming.is_one_too_many:
            return reply_topic, self._request_service.refuse_unrecorded(because(Because.BUSY))
        identity = Identity.AUTHENTICATED if self._checked else Identity.CLAIMED
        requester = Requester(f"mqtt:{name}", identity, level, self._topics.requests(Level.ADJUST))
        request = read_request(incoming.payload, incoming.correlation_data)
        return reply_topic, await self._request_service.answer(
            request,
            requester,
            self._delivery_refusal(request, incoming),
            limit=self._rate_limit,
            # A name that is only claimed can be another each time.
            source=requester.by if self._checked else "",
        )

    def _delivery_refusal(
        self, request: ParsedRequest | InvalidRequest, incoming: Incoming
    ) -> Reason | None:
        if isinstance(request, InvalidRequest):
            return None
        if incoming.retained:
            return because(Because.RETAINED)
        now_utc_s = self._request_service.clock.now().utc_s
        return age_refusal(request.sent_utc_s, incoming.expiry_s, now_utc_s, self._valid_s)
