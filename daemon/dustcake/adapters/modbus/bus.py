"""A bus: one connection, shared by every device on it and every collector that uses them."""

import asyncio
import logging
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager

import structlog

from dustcake.adapters.modbus.channel import Channel
from dustcake.adapters.modbus.messages import Answer, Read, Request, place
from dustcake.core.inputs import FailureKind, ReadFailure
from dustcake.ports import Clock
from dustcake.settings.buses import SerialBus, TcpBus

_NOT_WORTH_REPEATING = (FailureKind.UNREACHABLE, FailureKind.EXCEPTION)
Scope = tuple[int | str, ...]
"""What a failure is about: the whole bus (), a unit (unit,), or one place in it (unit, place)."""

_WHOLE_BUS = (FailureKind.UNREACHABLE, FailureKind.LOST)

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
        failure = outcome if isinstance(outcome, ReadFailure) else None
        full: Scope = (request.unit, place(request))
        depth = len(full) + 1 if failure is None else _depth(failure.kind)
        for scope in (full[:wider] for wider in range(depth)):
            since_s = self._lost_s.pop(scope, None)
            if since_s is not None:
                after_s = round(now_s - since_s, 3)
                log.info("recovered", bus=self._bus, **_named(scope), after_s=after_s)
        if failure is not None and full[:depth] not in self._lost_s:
            scope = full[:depth]
            self._lost_s[scope] = now_s
            log.warning(
                "lost",
                bus=self._bus,
                **_named(scope),
                kind=failure.kind.value,
                detail=failure.detail,
            )


def _depth(kind: FailureKind) -> int:
    if kind in _WHOLE_BUS:
        return 0
    # A device that refuses or garbles one address may answer at all others.
    return 1 if kind is FailureKind.TIMEOUT else 2


def _named(scope: Scope) -> dict[str, int | str]:
    return dict(zip(("unit", "place"), scope, strict=False))


class Reserved:
    """The bus while nobody else can use it."""

    def __init__(self, channel: Channel, failures: FailureLog, retries: int) -> None:
        self._channel = channel
        self._failures = failures
        self._retries = retries

    async def exchange(self, request: Request, *, urgent: bool = False) -> Answer | ReadFailure:
        """One exchange; a read again as often as the settings allow if there is no proper reply,
        a write never. ``urgent``: as of Channel.exchange."""
        attempts = 1 + (self._retries if isinstance(request, Read) else 0)
        answer = await _persistently(
            attempts, lambda: self._channel.exchange(request, urgent=urgent)
        )
        self._failures.note(request, answer, self._channel.clock.now().mono_s)
        return answer


class Bus:
    """A shared bus. Requests wait their turn in the order they came; but switching off goes next.

    A turn lasts one exchange, so a silent unit costs the others at most its time-out (and on a
    serial line the quarantine after it) between two of their own exchanges. Switching off waits
    for the turn under way and no other, however many collectors share the bus.
    """

    def __init__(self, settings: TcpBus | SerialBus, clock: Clock) -> None:
        self.clock = clock
        """The clock of everything that is timed on this bus."""
        self.name = settings.name
        self._retries = settings.retries
        self._channel = Channel(settings, clock)
        self._failures = FailureLog(settings.name)
        self._turn = asyncio.Lock()
        self._urgent = 0  # how many wait for the turn to switch something off

    async def read(self, request: Read) -> Answer | ReadFailure:
        """Read, again as often as the settings allow if there is no proper reply."""
        answer = await _persistently(1 + self._retries, lambda: self._ask_in_turn(request))
        self._failures.note(request, answer, self.clock.now().mono_s)
        return answer

    async def probe(self, request: Read) -> Answer | ReadFailure:
        """One try, not logged: to find out whether there is a device at all."""
        return await self._ask_in_turn(request)

    @asynccontextmanager
    async def reserved(self, *, urgent: bool = False) -> AsyncIterator[Reserved]:
        """The bus for several exchanges that nothing may come between. Keep it short. ``urgent``:
        to switch off, so before all others that wait."""
        await self._take_turn(urgent=urgent)
        try:
            yield Reserved(self._channel, self._failures, self._retries)
        finally:
            self._turn.release()

    async def _take_turn(self, *, urgent: bool = False) -> None:
        """The caller releases it."""
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

    async def aclose(self) -> None:
        """Close the connection, and give the exchange under way up; none is opened again."""
        self._channel.close()
        await asyncio.sleep(0)  # lets the loop close the socket

    async def _ask_in_turn(self, request: Request) -> Answer | ReadFailure:
        await self._take_turn()
        try:
            return await self._channel.exchange(request)
        finally:
            self._turn.release()


async def _persistently(
    attempts: int, once: Callable[[], Awaitable[Answer | ReadFailure]]
) -> Answer | ReadFailure:
    answer = await once()
    for _ in range(attempts - 1):
        if not isinstance(answer, ReadFailure) or answer.kind in _NOT_WORTH_REPEATING:
            break
        answer = await once()
    return answer


def open_bus(settings: TcpBus | SerialBus, clock: Clock) -> Bus:
    """The bus of ``settings``. No connection is made before the first request needs it."""
    # The library logs each time-out at error level with packet dumps; failures are values here.
    logging.getLogger("pymodbus").setLevel(logging.CRITICAL + 1)
    return Bus(settings, clock)
