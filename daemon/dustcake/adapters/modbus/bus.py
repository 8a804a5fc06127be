"""A bus: one connection, shared by every device on it and every collector that uses them."""

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager

import structlog

from dustcake.adapters.modbus.connection import (
    LONGEST_FRAME,
    Connection,
    character_s,
    frame_gap_s,
)
from dustcake.adapters.modbus.messages import Read, Request, Values, answer_of, place, to_pdu
from dustcake.core.inputs import FailureKind, ReadFailure
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

    def note(self, request: Request, outcome: Values | ReadFailure, now_s: float) -> None:
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


FIRST_S = 0.25
LONGEST_S = 10.0


class Backoff:
    """Doubles from a quarter of a second to ten with each failure in a row.

    Times are monotonic seconds, handed in by the caller.
    """

    def __init__(self) -> None:
        self._delay_s = FIRST_S
        self._until_s = float("-inf")

    def failed(self, now_s: float) -> None:
        """One more failure."""
        self._until_s = now_s + self._delay_s
        self._delay_s = min(2 * self._delay_s, LONGEST_S)

    def succeeded(self) -> None:
        """Forget the failures."""
        self._delay_s = FIRST_S
        self._until_s = float("-inf")

    def remaining_s(self, now_s: float) -> float:
        """Seconds until the next try is due; 0 when it is."""
        return max(0.0, self._until_s - now_s)


class Channel:
    """The bus while nobody else can use it: one exchange at a time, which ``Bus`` sees to.

    After anything but a proper reply a TCP connection is replaced by a fresh one, so that a late
    reply has nowhere to arrive. A serial line is quarantined instead: nothing is sent until the
    late reply has had as long again as it had already, and the line has been silent for the gap
    between two frames; what arrives meanwhile is passed over.
    """

    def __init__(self, settings: TcpBus | SerialBus, clock: Clock) -> None:
        self._clock = clock
        self._settings = settings
        self._serial = isinstance(settings, SerialBus)
        self._gap_s = 0.0
        self._quarantine_s = 0.0
        if isinstance(settings, SerialBus):
            self._gap_s = frame_gap_s(settings.baud)
            longest_s = LONGEST_FRAME * character_s(settings.baud)
            self._quarantine_s = max(settings.timeout_s, longest_s)
        self._quarantined_until_s = float("-inf")
        self._connection: Connection | None = None
        self._backoff = Backoff()
        self._why_not = ""
        self._closed = False
        self._under_way: asyncio.Timeout | None = None
        self._failures = FailureLog(settings.name)

    async def exchange(self, request: Request, *, urgent: bool = False) -> Values | ReadFailure:
        """One exchange; a read again as often as the settings allow if there is no proper reply,
        a write never. ``urgent``: see ``once``."""
        return await self.repeated(request, lambda: self.once(request, urgent=urgent))

    async def repeated(
        self, request: Request, once: Callable[[], Awaitable[Values | ReadFailure]]
    ) -> Values | ReadFailure:
        """The outcome of ``request``, each try of which is made by ``once``."""
        answer = await once()
        for _ in range(self._settings.retries if isinstance(request, Read) else 0):
            if not isinstance(answer, ReadFailure) or answer.kind in _NOT_WORTH_REPEATING:
                break
            answer = await once()
        self._failures.note(request, answer, self._now_s())
        return answer

    async def once(self, request: Request, *, urgent: bool = False) -> Values | ReadFailure:
        """One try, not logged. Where the bus is not connected it is connected first, unless the
        last attempt failed a moment ago: then the answer is at once UNREACHABLE.

        ``urgent`` tries to connect in any case and ignores a quarantine: for switching a valve
        off, whose echo cannot be taken for the late reply to anything else.
        """
        try:
            async with asyncio.timeout(None) as self._under_way:
                answer = await self._once(request, urgent)
        except TimeoutError:
            answer = self._unreachable()
        finally:
            self._under_way = None
        if isinstance(answer, ReadFailure):
            where = f"bus {self._settings.name}, {place(request)}"
            return ReadFailure(answer.kind, f"{where}: {answer.detail}")
        return answer

    async def _once(self, request: Request, urgent: bool) -> Values | ReadFailure:
        """The outcome of one try; a failure without its place."""
        connection = await self._connected(urgent)
        if connection is None:
            return self._unreachable()
        if not await self._silence(connection, urgent):
            babble = "something on the line never stops sending"
            return ReadFailure(FailureKind.BAD_REPLY, babble)
        trusted = False
        try:
            reply = await connection.exchange(to_pdu(request))
            trusted = not isinstance(reply, ReadFailure)
        finally:
            if not trusted:  # by a fault, or because the caller was cancelled while waiting
                self._resynchronise(connection)
        if isinstance(reply, ReadFailure):
            return reply
        self._backoff.succeeded()
        return answer_of(request, reply)

    def close(self) -> None:
        """Close the connection for good, and give up the exchange under way."""
        self._closed = True
        if self._under_way is not None and not self._under_way.expired():
            self._under_way.reschedule(asyncio.get_running_loop().time())
        self._drop()

    async def _connected(self, urgent: bool) -> Connection | None:
        if self._connection is not None and not self._connection.usable:
            self._drop()
        if self._connection is not None or self._closed:
            return self._connection
        if urgent or not self._backoff.remaining_s(self._now_s()):
            await self._connect()
        return self._connection

    async def _connect(self) -> None:
        connection = Connection(self._settings, self._now_s)
        why_not: str | None = "the attempt to connect was broken off"
        try:
            why_not = await connection.open()
        finally:
            if why_not is not None:
                connection.close()
        if why_not is None:
            self._connection = connection
        else:
            self._fail_to_connect(why_not)

    async def _silence(self, connection: Connection, urgent: bool) -> bool:
        """Wait until a frame may be sent. False: something else keeps sending."""
        if not self._serial:
            return True
        give_up_s = self._now_s() + 2 * self._quarantine_s
        while True:
            # After a stall of the loop, bytes may wait to be taken in: one round of it finds
            # them, the next hands them over.
            await asyncio.sleep(0)
            await asyncio.sleep(0)
            free_s = connection.active_s + self._gap_s
            if not urgent:
                free_s = max(free_s, self._quarantined_until_s)
            if free_s <= self._now_s():
                return True
            if free_s > give_up_s:
                return False
            await self._clock.sleep_until(free_s)

    def _resynchronise(self, connection: Connection) -> None:
        if self._serial and connection.usable:
            self._quarantined_until_s = self._now_s() + self._quarantine_s
        else:
            self._drop()

    def _drop(self) -> None:
        connection, self._connection = self._connection, None
        if connection is None:
            return
        if not connection.usable and not connection.answered:
            # Accepted and broken off without a word: no better than not accepted.
            self._fail_to_connect("the connection is accepted, but broken off")
        connection.close()

    def _fail_to_connect(self, why_not: str) -> None:
        self._why_not = why_not
        self._backoff.failed(self._now_s())

    def _now_s(self) -> float:
        return self._clock.now().mono_s

    def _unreachable(self) -> ReadFailure:
        wait_s = self._backoff.remaining_s(self._now_s())
        why_not = f"{self._why_not}; next try in {wait_s:.2g} s"
        if self._closed:
            why_not = "the bus has been closed"
        return ReadFailure(FailureKind.UNREACHABLE, why_not)


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
        self._channel = Channel(settings, clock)
        self._turn = asyncio.Lock()
        self._urgent = 0  # how many wait for the turn to switch something off

    async def read(self, request: Read) -> Values | ReadFailure:
        """Read, again as often as the settings allow if there is no proper reply."""
        return await self._channel.repeated(request, lambda: self.probe(request))

    async def probe(self, request: Read) -> Values | ReadFailure:
        """One try, not logged: to find out whether there is a device at all."""
        async with self.reserved() as channel:
            return await channel.once(request)

    @asynccontextmanager
    async def reserved(self, *, urgent: bool = False) -> AsyncIterator[Channel]:
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
            yield self._channel
        finally:
            self._turn.release()

    async def aclose(self) -> None:
        """Close the connection, and give the exchange under way up; none is opened again."""
        self._channel.close()
        await asyncio.sleep(0)  # lets the loop close the socket
