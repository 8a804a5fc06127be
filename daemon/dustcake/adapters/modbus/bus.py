"""A bus: one connection, shared by every device on it and every collector that uses them."""

import asyncio
import logging
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager

from dustcake.adapters.modbus.edges import Edges
from dustcake.adapters.modbus.line import Line
from dustcake.adapters.modbus.requests import Answer, Read, Request
from dustcake.core.signals import FailureKind, ReadFailure
from dustcake.ports import Clock
from dustcake.settings.buses import SerialBus, TcpBus

_NOT_WORTH_REPEATING = (FailureKind.UNREACHABLE, FailureKind.EXCEPTION)


class Reserved:
    """The bus while nobody else can use it."""

    def __init__(self, line: Line, edges: Edges, retries: int) -> None:
        self._line = line
        self._edges = edges
        self._retries = retries

    async def ask(self, request: Request, *, urgent: bool = False) -> Answer | ReadFailure:
        """One exchange; a read again as often as the settings allow if there is no proper reply,
        a write never. ``urgent``: as of Line.ask."""
        attempts = 1 + (self._retries if isinstance(request, Read) else 0)
        answer = await _persistently(attempts, lambda: self._line.ask(request, urgent=urgent))
        self._edges.note(request, answer, self._line.clock.now().mono_s)
        return answer


class BusLine:
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
        self._line = Line(settings, clock)
        self._edges = Edges(settings.name)
        self._turn = asyncio.Lock()
        self._urgent = 0  # how many wait for the turn to switch something off

    async def read(self, request: Read) -> Answer | ReadFailure:
        """Read, again as often as the settings allow if there is no proper reply."""
        answer = await _persistently(1 + self._retries, lambda: self._ask_in_turn(request))
        self._edges.note(request, answer, self.clock.now().mono_s)
        return answer

    async def probe(self, request: Read) -> Answer | ReadFailure:
        """One try, of which the log is told nothing: whether somebody is there is what is asked."""
        return await self._ask_in_turn(request)

    @asynccontextmanager
    async def reserved(self, *, urgent: bool = False) -> AsyncIterator[Reserved]:
        """The bus for several exchanges that nothing may come between. Keep it short. ``urgent``:
        to switch off, so before all others that wait."""
        await self._take_turn(urgent=urgent)
        try:
            yield Reserved(self._line, self._edges, self._retries)
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
        self._line.close()
        await asyncio.sleep(0)  # lets the loop close the socket it was told to

    async def _ask_in_turn(self, request: Request) -> Answer | ReadFailure:
        await self._take_turn()
        try:
            return await self._line.ask(request)
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


def open_bus(settings: TcpBus | SerialBus, clock: Clock) -> BusLine:
    """The bus of ``settings``. No connection is made before the first request needs it."""
    # The library logs each time-out at error level with packet dumps; failures are values here.
    logging.getLogger("pymodbus").setLevel(logging.CRITICAL + 1)
    return BusLine(settings, clock)
