"""What clients may have of the daemon: turns of its loop, and lines of its log.

Everything runs in one event loop, and a command to an output waits for whatever is just being done
there. So what is done for others is done in small pieces, with time for control after each.
"""

import asyncio
from typing import Any

import structlog

LINE_EVERY_S = 60.0


class Turns:
    """One piece of work at a time for all connections of a server, first come, first served. After
    each the loop is left to others for ``apart_s``, however long the piece took."""

    def __init__(self, apart_s: float) -> None:
        self._apart_s = apart_s
        self._free = asyncio.Lock()

    async def next(self) -> None:
        """Return when it is the caller's turn. What it does then, until it next waits for
        something, is the piece."""
        await self._free.acquire()
        loop = asyncio.get_running_loop()
        # Counted from the loop's next round, which is after the piece.
        loop.call_soon(loop.call_later, self._apart_s, self._free.release)


class FloodLog:
    """Warnings of one kind that clients can bring about as often as they like: the first comes at
    once, and from then on there is at most one a minute, with ``count`` of those since. Its other
    words are those of the latest."""

    def __init__(self, event: str) -> None:
        self._log = structlog.get_logger()
        self._event = event
        self._count = 0
        self._words: dict[str, Any] = {}
        self._next: asyncio.TimerHandle | None = None

    def warn(self, **words: Any) -> None:
        """Count one more, and log it if that is due."""
        self._count += 1
        self._words = words
        if self._next is None:
            self._say()

    def _say(self) -> None:
        self._next = None
        if self._count:
            self._log.warning(self._event, **self._words, count=self._count)
            self._count = 0
            self._next = asyncio.get_running_loop().call_later(LINE_EVERY_S, self._say)
