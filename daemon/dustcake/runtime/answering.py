"""Requests from outside, put to the engine, and the answers worded."""

import asyncio
import json
from collections.abc import Awaitable, Callable, Mapping
from types import MappingProxyType
from typing import Any

from dustcake.core.events import RequestAnswered
from dustcake.core.requested import name_of
from dustcake.core.stamp import Stamp
from dustcake.ports import Clock
from dustcake.publish.asking import (
    NAMED,
    Asked,
    NotUnderstood,
    not_understood_reply,
    read_object,
    read_request,
    reply,
    request_in,
)
from dustcake.runtime.engine import Engine
from dustcake.units import PressureUnit

ANSWER_WITHIN_S = 5.0


class Answering:
    """Answers for one collector. ``source`` is how requests come in; it goes on record with what
    the asker says of themselves."""

    def __init__(self, engine: Engine, unit: PressureUnit, clock: Clock) -> None:
        self._engine = engine
        self._unit = unit
        self._clock = clock

    async def answer(self, text: bytes, by: str) -> bytes:
        """Answer a request that came as ``text``; what the asker says of himself is recorded
        beside ``by``."""
        asked = read_request(text)
        if isinstance(asked, Asked) and not asked.by and name_of(asked.request) in NAMED:
            asked = NotUnderstood("`by` must say who asks for this", asked.request_id)
        who = f"{by}:{asked.by}" if isinstance(asked, Asked) and asked.by else by
        return await self.answer_asked(asked, who)

    async def answer_asked(self, asked: Asked | NotUnderstood, who: str) -> bytes:
        """Put a request to the core and word its answer; ``who`` is recorded."""
        if isinstance(asked, NotUnderstood):
            return self._not_understood(asked)
        try:
            async with asyncio.timeout(ANSWER_WITHIN_S):
                event = await self._engine.ask(asked.request, asked.request_id, who)
        except TimeoutError:
            problem = f"the daemon did not get to it within {ANSWER_WITHIN_S:g} s"
            return self._not_understood(NotUnderstood(problem, asked.request_id))
        assert isinstance(event.body, RequestAnswered)
        return reply(event, event.body, self._unit)

    def _not_understood(self, problem: NotUnderstood) -> bytes:
        now: Stamp = self._clock.now()
        return not_understood_reply(problem, now.utc_s, self._engine.state.next_seq - 1)


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
    if isinstance(asked, NotUnderstood):
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
    return await answering[name].answer_asked(request_in(asked), f"local:{by}")


def _refused(reason: str) -> bytes:
    return json.dumps({"accepted": False, "reason": reason}, ensure_ascii=False).encode()
