"""A bus: one connection, shared by every device on it and every collector that uses them."""

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager

import structlog

from dustcake.adapters.modbus.connection import Channel
from dustcake.adapters.modbus.messages import Answer, Read, Request, place
from dustcake.core.signals import FailureKind, ReadFailure
from dustcake.ports import Clock
from dustcake.settings.buses import SerialBus, TcpBus

_NOT_WORTH_REPEATING = (FailureKind.UNREACHABLE, FailureKind.EXCEPTION)

_SCOPE = ("bus", "unit", "place")
_FAILED_PARTS = {FailureKind.UNREACHABLE: 1, FailureKind.LOST: 1, FailureKind.TIMEOUT: 2}
"""How much of ``_SCOPE`` a failure is about; others all of it, since a device that refuses or
garbles one address may answer at all others."""

Scope = tuple[int | str, ...]

log = structlog.get_logger("dustcake.field")


class FailureLog:
    """The failures of one bus that have been logged and are not over."""

    def __init__(self, bus: str) -> None:
        self._bus = bus
        self._lost_s: dict[Scope, float] = {}

    def note(self, request: Request, outcome: Answer | ReadFailure, now_s: float) -> None:
        """Take the outcome of ``request`` at monotonic ``now_s`` into account.

        A failure shows that everything wider than itself works: a device that refuses one
        address is there, and a unit that does not reply was reached over a bus that works.
        """
        scope: Scope = (self._bus, request.unit, place(request))
        working = len(scope)
        if isinstance(outcome, ReadFailure):
            scope = scope[: _FAILED_PARTS.get(outcome.kind, len(scope))]
            working = len(scope) - 1
        for wider in (scope[:parts] for parts in range(1, working + 1)):
            since_s = self._lost_s.pop(wider, None)
            if since_s is not None:
                log.info("recovered", **_named(wider), after_s=round(now_s - since_s, 3))
        if isinstance(outcome, ReadFailure) and scope not in self._lost_s:
            self._lost_s[scope] = now_s
            log.warning("lost", **_named(scope), kind=outcome.kind.value, detail=outcome.detail)


def _named(scope: Scope) -> dict[str, int | str]:
    return dict(zip(_SCOPE, scope, strict=False))


class Reserved:
    """The bus while nobody else can use it."""

    def __init__(self, settings: TcpBus | SerialBus, clock: Clock) -> None:
        self.channel = Channel(settings, clock)
        self._clock = clock
        self._retries = settings.retries
        self._failures = FailureLog(settings.name)

    async def exchange(self, request: Request, *, urgent: bool = False) -> Answer | ReadFailure:
        """One exchange; a read again as often as the settings allow if there is no proper reply,
        a write never. ``urgent``: as of Channel.exchange."""
        return await self.persistently(
            request, lambda: self.channel.exchange(request, urgent=urgent)
        )

    async def persistently(
        self, request: Request, once: Callable[[], Awaitable[Answer | ReadFailure]]
    ) -> Answer | ReadFailure:
        """The same, by ``once``."""
        answer = await once()
        for _ in range(self._retries if isinstance(request, Read) else 0):
            if not isinstance(answer, ReadFailure) or answer.kind in _NOT_WORTH_REPEATING:
                break
            answer = await once()
        self._failures.note(request, answer, self._clock.now().mono_s)
        return answer


class Bus:
    """A shared bus. Requests wait their turn in the order they came; but switching off goes next.
    No connection is made before the first request needs it.

    A turn lasts one exchange, so a silent unit costs the others at most its time-out (and on a
    serial line the quarantine after it) between two of their own exchanges. Switching off waits
    for the turn under way and no other, however many collectors share the bus.
    """

    def __init__(self, settings: TcpBus | SerialBus, clock: Clock) -> None:
        self.clock = clock
        """The clock of everything that is timed on this bus."""
        self.name = settings.name
        self._reserved = Reserved(settings, clock)
        self._turn = asyncio.Lock()
        self._urgent = 0  # how many wait for the turn to switch something off

    async def read(self, request: Read) -> Answer | ReadFailure:
        """Read, again as often as the settings allow if there is no proper reply."""
        return await self._reserved.persistently(request, lambda: self.probe(request))

    async def probe(self, request: Read) -> Answer | ReadFailure:
        """One try, not logged: to find out whether there is a device at all."""
        async with self.reserved() as hold:
            return await hold.channel.exchange(request)

    @asynccontextmanager
    async def reserved(self, *, urgent: bool = False) -> AsyncIterator[Reserved]:
        """The bus for several exchanges that nothing may come between. Keep it short. ``urgent``:
        to switch off, so before all others that wait."""
        self._urgent += urgent
        try:
            await self._turn.acquire()
        finally:
            self._urgent -= urgent
        while self._urgent and not urgent:
            # Whoever lets an urgent one pass queues again, behind the others, who do the same.
            self._turn.release()
            await asyncio.sleep(0)  # to one that has been cancelled, too, so that it stops waiting
            await self._turn.acquire()
        try:
            yield self._reserved
        finally:
            self._turn.release()

    async def aclose(self) -> None:
        """Close the connection, and give the exchange under way up; none is opened again."""
        self._reserved.channel.close()
        await asyncio.sleep(0)  # lets the loop close the socket
