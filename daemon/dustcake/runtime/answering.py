"""Requests from outside, put to the engine, and the answers worded."""

import asyncio
import json
from collections.abc import Awaitable, Callable, Mapping
from functools import partial
from types import MappingProxyType
from typing import Any

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
    reply,
    request_in,
)
from dustcake.runtime.engine import Engine, MakeInput
from dustcake.units import PressureUnit

ANSWER_WITHIN_S = 5.0


@record
class Asker:
    """Who asks. ``by`` begins with the way the request came in; ``level``: what they may ask for,
    and ``elsewhere`` where more is taken; ``is_named``: whether ``by`` says who it is, so that a
    request need not. ``unit``: in which they are answered; None: that of the collector."""

    by: str
    identity: Identity
    level: Level = Level.ADJUST
    elsewhere: str = ""
    is_named: bool = True
    unit: PressureUnit | None = None


@record
class Sent:
    """What a broker tells of a request. ``retained``: it is kept for whoever comes; ``expiry_s``:
    what is left of its message expiry interval;
    ``holds_s``: how long a request holds after it was sent."""

    retained: bool
    expiry_s: float | None
    holds_s: float


class Answering:
    """Answers for one collector. Whatever is asked goes on record, also when it is refused here."""

    def __init__(self, engine: Engine, unit: PressureUnit, clock: Clock) -> None:
        self._engine = engine
        self._unit = unit
        self._clock = clock
        # Readings come to the engine by the same queue, and each request may take it a commit.
        self._one_at_a_time = asyncio.Lock()

    async def answer(
        self,
        asked: ParsedRequest | InvalidRequest,
        asker: Asker,
        sent: Sent | None = None,
        refusal: Reason | None = None,
    ) -> bytes:
        """Put a request to the core, if ``asker`` may ask for it and it still holds, and word the
        answer. What askers say of themselves is recorded beside ``asker.by``. ``refusal``: why it
        is refused whatever it is."""
        make = self._input(asked, asker, sent, refusal)
        try:
            async with asyncio.timeout(ANSWER_WITHIN_S), self._one_at_a_time:
                event = await self._engine.ask(make)
        except TimeoutError:
            late = because(Because.NOT_IN_TIME, within_s=ANSWER_WITHIN_S)
            return self.refuse_unrecorded(late, asked.request_id or "")
        assert isinstance(event.body, RequestAnswered)
        return reply(event.body, event.at.utc_s, event.seq, asker.unit or self._unit)

    def _input(
        self,
        asked: ParsedRequest | InvalidRequest,
        asker: Asker,
        sent: Sent | None,
        refusal: Reason | None,
    ) -> MakeInput:
        """What the engine is handed: the request, or the record that it was refused."""
        by, identity = asker.by, asker.identity
        if isinstance(asked, InvalidRequest):
            return partial(
                RequestRefused,
                request="",
                by=by,
                request_id=asked.request_id or "",
                identity=identity,
                reason=refusal or asked.reason,
            )
        if asked.by:
            by = f"{by}:{asked.by}"
            identity = Identity.CLAIMED if identity is Identity.UNKNOWN else identity
        name = name_of(asked.request)
        refusal = refusal or self._refusal(asked, name, asker, sent)
        if refusal is not None:
            return partial(
                RequestRefused,
                request=name,
                by=by,
                request_id=asked.request_id,
                identity=identity,
                reason=refusal,
            )
        return partial(
            OperatorRequested,
            request=asked.request,
            by=by,
            request_id=asked.request_id,
            identity=identity,
        )

    def _refusal(
        self, asked: ParsedRequest, name: str, asker: Asker, sent: Sent | None
    ) -> Reason | None:
        if not asker.level.may_request(name):
            return because(Because.LEVEL_TOO_LOW, asker.elsewhere or "no request")
        if not (asked.by or asker.is_named) and KIND_OF[name].name_required:
            return because(Because.NOT_NAMED)
        if sent is None:
            return None
        if sent.retained:
            return because(Because.RETAINED)
        return age_refusal(asked, sent.expiry_s, self._clock.now().utc_s, sent.holds_s)

    def refuse_unrecorded(self, reason: Reason, request_id: str = "") -> bytes:
        """Refuse in words alone: what comes in floods must not fill the journal."""
        refused = RequestAnswered(request_id, "", "", False, reason)
        now, seq = self._clock.now(), self._engine.state.next_seq - 1
        return reply(refused, now.utc_s, seq, self._unit)


Commission = Callable[[Mapping[str, Any], str], Awaitable[Mapping[str, Any]]]


async def answer_local(
    line: bytes,
    by: str,
    answering: Mapping[str, Answering],
    status: Mapping[str, Any],
    commission: Mapping[str, Commission] = MappingProxyType({}),
) -> bytes:
    """One line of the local socket: ``{"status": true}``, or a request, or a piece of
    commissioning; those name their collector unless there is only one. The kernel says who asks, so
    what he says of himself is not recorded."""
    asked = read_object(line)
    if isinstance(asked, InvalidRequest):
        return _refused(f"not understood: {asked.problem}")
    if len(asked) == 1 and asked.get("status") is True:
        content = {name: tell() for name, tell in status.items()}
        return json.dumps({"collectors": content}, ensure_ascii=False).encode()
    only = next(iter(answering)) if len(answering) == 1 else None
    name = asked.pop("collector", only)
    if not isinstance(name, str) or name not in answering:
        return _refused(f"name one of the collectors: {', '.join(answering)}")
    if "commission" in asked and name in commission:
        told = await commission[name](asked, f"local:{by}")
        return json.dumps(told, ensure_ascii=False).encode()
    asked.pop("by", None)
    asker = Asker(f"local:{by}", Identity.AUTHENTICATED)
    return await answering[name].answer(request_in(asked), asker)


def _refused(reason: str) -> bytes:
    return json.dumps({"accepted": False, "reason": reason}, ensure_ascii=False).encode()
