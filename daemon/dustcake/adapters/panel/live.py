"""What viewers are sent as it happens: server-sent events (WHATWG HTML, 9.2; from memory).

The first event of a connection has everything, the next ones only what has changed; there is one
each second at least, so that a viewer who hears nothing knows that what they see is old. Every
connection begins with everything, so nothing need be kept for those who were away.
"""

import asyncio
import json
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import suppress
from typing import Any

from dustcake.units import PressureUnit

EVERY_S = 1.0
RETRY_MS = 2000
MOST_VIEWERS = 32

Status = Callable[[str, PressureUnit], Mapping[str, Any]]


class Live:
    """Sends viewers what ``status`` gives. ``now``: the monotonic clock."""

    def __init__(self, status: Status, now: Callable[[], float]) -> None:
        self._status = status
        self._now = now
        self._closing = asyncio.Event()
        self._encoded: dict[tuple[str, PressureUnit], tuple[float, dict[str, str]]] = {}
        self.viewers = 0
        """How many are listening."""

    def close(self) -> None:
        """Let all viewers go."""
        self._closing.set()

    async def events(
        self, collector: str, unit: PressureUnit, may_go_on: Callable[[], bool]
    ) -> AsyncIterator[bytes]:
        """The events of one connection, until ``may_go_on`` says no."""
        self.viewers += 1
        try:
            yield b"retry: %d\n\n" % RETRY_MS
            sent: dict[str, str] = {}
            number = 0
            while not self._closing.is_set() and may_go_on():
                parts = self._parts(collector, unit)
                news = [f'"{key}":{text}' for key, text in parts.items() if sent.get(key) != text]
                kind = "changed" if sent else "whole"
                number += 1
                text = f"id: {number}\nevent: {kind}\ndata: {{{','.join(news)}}}\n\n"
                yield text.encode()
                sent = parts
                with suppress(TimeoutError):
                    async with asyncio.timeout(EVERY_S):
                        await self._closing.wait()
        finally:
            self.viewers -= 1

    def _parts(self, collector: str, unit: PressureUnit) -> dict[str, str]:
        """The status, each part as JSON; made once for all viewers within half a turn."""
        now_s = self._now()
        made_s, parts = self._encoded.get((collector, unit), (now_s - EVERY_S, {}))
        if now_s - made_s >= EVERY_S / 2:
            parts = {
                key: json.dumps(value, ensure_ascii=False, separators=(",", ":"))
                for key, value in self._status(collector, unit).items()
            }
            self._encoded[collector, unit] = now_s, parts
        return parts
