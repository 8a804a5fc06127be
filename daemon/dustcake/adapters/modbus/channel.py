"""Exchanges over a connection that comes and goes: connecting, backing off, keeping silence."""

import asyncio

from dustcake.adapters.modbus.connection import (
    LONGEST_FRAME,
    Connection,
    Fault,
    character_s,
    frame_gap_s,
)
from dustcake.adapters.modbus.messages import (
    Answer,
    Request,
    answer_of,
    exception_words,
    place,
    to_pdu,
)
from dustcake.core.inputs import FailureKind, ReadFailure
from dustcake.ports import Clock
from dustcake.settings.buses import SerialBus, TcpBus


class Channel:
    """One exchange at a time; whoever uses it sees to that.

    After anything but a proper reply a TCP connection is replaced by a fresh one, so that a late
    reply has nowhere to arrive. A serial line is quarantined instead: nothing is sent until the
    late reply has had as long again as it had already, and the line has been silent for the gap
    between two frames; what arrives meanwhile is passed over.
    """

    def __init__(self, settings: TcpBus | SerialBus, clock: Clock) -> None:
        self.clock = clock
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

    async def exchange(self, request: Request, *, urgent: bool = False) -> Answer | ReadFailure:
        """One exchange. Where the bus is not connected it is connected first, unless the last
        attempt failed a moment ago: then the answer is at once UNREACHABLE.

        ``urgent`` tries to connect in any case and ignores a quarantine: for switching a valve
        off, whose echo cannot be taken for the late reply to anything else.
        """
        try:
            async with asyncio.timeout(None) as self._under_way:
                return await self._exchange(request, urgent)
        except TimeoutError:
            return self._failure(request, Fault(FailureKind.UNREACHABLE, self._unreachable()))
        finally:
            self._under_way = None

    async def _exchange(self, request: Request, urgent: bool) -> Answer | ReadFailure:
        connection = await self._connected(urgent)
        if connection is None:
            return self._failure(request, Fault(FailureKind.UNREACHABLE, self._unreachable()))
        if not await self._silence(connection, urgent):
            babble = Fault(FailureKind.BAD_REPLY, "something on the line never stops sending")
            return self._failure(request, babble)
        trusted = False
        try:
            reply = await connection.exchange(to_pdu(request))
            trusted = not isinstance(reply, Fault)
        finally:
            if not trusted:  # by a fault, or because the caller was cancelled while waiting
                self._resynchronise(connection)
        if isinstance(reply, Fault):
            return self._failure(request, reply)
        self._backoff.succeeded()
        if reply.isError():
            words = exception_words(reply.exception_code)
            return self._failure(request, Fault(FailureKind.EXCEPTION, words))
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
        if not urgent and self._backoff.remaining_s(self._now_s()) > 0:
            return None
        connection = Connection(self._settings, self._now_s)
        why_not: str | None = "the attempt to connect was broken off"
        try:
            why_not = await connection.open()
        finally:
            if why_not is not None:
                connection.close()
        if why_not is not None:
            self._why_not = why_not
            self._backoff.failed(self._now_s())
            return None
        self._connection = connection
        return connection

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
            await self.clock.sleep_until(free_s)

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
            self._why_not = "the connection is accepted, but broken off"
            self._backoff.failed(self._now_s())
        connection.close()

    def _now_s(self) -> float:
        return self.clock.now().mono_s

    def _unreachable(self) -> str:
        if self._closed:
            return "the bus has been closed"
        wait_s = self._backoff.remaining_s(self._now_s())
        return f"{self._why_not}; next try in {wait_s:.2g} s"

    def _failure(self, request: Request, fault: Fault) -> ReadFailure:
        where = f"bus {self._settings.name}, {place(request)}"
        return ReadFailure(fault.kind, f"{where}: {fault.cause}")


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
