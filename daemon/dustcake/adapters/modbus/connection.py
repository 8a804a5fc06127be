"""Exchanges over a connection that comes and goes: connecting, backing off, keeping silence.

The client library's framing and serial transport are used, not its client, which believes replies
too easily and hides why it could not connect.
"""

import asyncio
import contextlib
import errno
import os
import socket
import struct
import termios
from collections.abc import Callable

from pymodbus.framer import FramerRTU, FramerSocket
from pymodbus.pdu import DecodePDU, ModbusPDU
from pymodbus.transport.serialtransport import create_serial_connection

from dustcake.adapters.modbus.messages import (
    Answer,
    BadReplyError,
    Request,
    answer_of,
    place,
    rtu_reply_whole,
    tcp_reply_whole,
    to_pdu,
)
from dustcake.core.signals import FailureKind, ReadFailure
from dustcake.ports import Clock
from dustcake.settings.buses import SerialBus, TcpBus

_PARITY = {"even": ("E", 1), "odd": ("O", 1), "none": ("N", 2)}
_CONNECT_TIMEOUT_S = 1.0
# SO_LINGER of socket(7): whether to linger, and for how many seconds. With none, closing resets the
# connection and throws away what has not been delivered.
_DISCARD, _DELIVER = struct.pack("ii", 1, 0), struct.pack("ii", 0, 0)
_REMEDIES = {
    errno.ECONNREFUSED: "connection refused: check the port number, and that the device serves it",
    errno.EHOSTUNREACH: "no route to the host: check address, cable and network",
    errno.ENETUNREACH: "no route to the network: check address and network settings",
    errno.ENOENT: "there is no such serial port: check its name, and that the adapter is plugged",
    errno.EACCES: "permission denied: let this user use the serial port (group dialout)",
    errno.EBUSY: "the serial port is in use by another program",
    errno.EAGAIN: "the serial port is in use by another program",
}


class Connection(asyncio.Protocol):
    """A connection, opened once and thrown away when it can no longer be trusted.

    Made inside a running event loop. ``monotonic``: seconds, for ``active_s``.
    """

    def __init__(self, settings: TcpBus | SerialBus, monotonic: Callable[[], float]) -> None:
        self.active_s = monotonic()
        """When a byte was last sent or received."""
        self.answered = False
        """Whether a good reply has come over it."""
        self.usable = False
        """Whether it is open and has not been lost."""
        self._settings = settings
        self._monotonic = monotonic
        self._transport: asyncio.Transport | None = None
        self._made = asyncio.Event()
        self._transaction = 0
        self._sent = self._received = b""
        self._reply: asyncio.Future[ReadFailure | None] | None = None
        self._unanswered = False
        decoder = DecodePDU(is_server=False)
        if isinstance(settings, TcpBus):
            self._framer: FramerSocket | FramerRTU = FramerSocket(decoder)
            self._reply_whole = tcp_reply_whole
        else:
            self._framer = FramerRTU(decoder)
            self._reply_whole = rtu_reply_whole

    async def open(self) -> str | None:
        """Connect. Returns None, or why it could not, in plain words."""
        limit_s = max(self._settings.timeout_s, _CONNECT_TIMEOUT_S)
        try:
            async with asyncio.timeout(limit_s):
                await self._connect()
        except TimeoutError:
            return f"no connection within {limit_s:g} s"
        except termios.error:
            return "the serial port refuses its settings: check `baud` and `parity`"
        except OSError as failure:
            return _plain(failure)
        self.active_s = self._monotonic()
        self._on_close(_DISCARD)
        return None

    async def _connect(self) -> None:
        loop, settings = asyncio.get_running_loop(), self._settings
        if isinstance(settings, TcpBus):
            await loop.create_connection(lambda: self, settings.host, settings.port)
            return
        parity, stop_bits = _PARITY[settings.parity]
        self._transport, _ = await create_serial_connection(
            loop, lambda: self, settings.port, settings.baud, 8, parity, stop_bits
        )
        await self._made.wait()

    async def exchange(self, pdu: ModbusPDU) -> ModbusPDU | ReadFailure:
        """Send ``pdu`` and return the reply, checked byte by byte against it, or what was wrong.

        Returns as soon as the reply is known to be wrong or the connection is lost.
        """
        if self._transport is None or not self.usable:
            return ReadFailure(FailureKind.LOST, "the connection was lost")
        pdu.transaction_id = self._transaction = self._transaction % 0xFFFF + 1
        self._sent, self._received = self._framer.buildFrame(pdu), b""
        self._reply = asyncio.get_running_loop().create_future()
        self._unanswered = True
        self.active_s = self._monotonic()
        self._transport.write(self._sent)
        try:
            async with asyncio.timeout(self._settings.timeout_s):
                failure = await self._reply
        except TimeoutError:
            why = f"no reply within {self._settings.timeout_s:g} s"
            return ReadFailure(FailureKind.TIMEOUT, why)
        finally:
            self._reply = None
        if failure is not None:
            return failure
        self.answered = True
        self._unanswered = False
        _, reply = self._framer.handleFrame(self._received, 0, 0)
        assert reply is not None  # it has been checked
        return reply

    def close(self) -> None:
        """Give the connection up. A request without an answer must not arrive any more: an order
        that the network holds back would switch a valve on after it has been given up, and after
        the valves have been proved off over the next connection. The same goes for a daemon that
        is killed, so that the connection is made to be reset from the beginning."""
        self.usable = False
        if not self._unanswered:
            self._on_close(_DELIVER)
        if self._transport is not None:
            self._transport.close()

    def _on_close(self, linger: bytes) -> None:
        sock = None if self._transport is None else self._transport.get_extra_info("socket")
        if sock is not None:  # a serial port has none
            with contextlib.suppress(OSError):
                sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, linger)

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """It is open."""
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport
        self.usable = True
        self._made.set()

    def data_received(self, data: bytes) -> None:
        """Bytes that nobody waits for are passed over."""
        self.active_s = self._monotonic()
        if self._reply is None:
            return
        self._received += data
        try:
            if self._reply_whole(self._sent, self._received):
                self._end_waiting(None)
        except BadReplyError as wrong:
            self._end_waiting(ReadFailure(FailureKind.BAD_REPLY, str(wrong)))

    def connection_lost(self, exc: Exception | None) -> None:
        """It is gone."""
        self.usable = False
        self._end_waiting(ReadFailure(FailureKind.LOST, "the connection broke while waiting"))

    def _end_waiting(self, failure: ReadFailure | None) -> None:
        if self._reply is not None and not self._reply.done():
            self._reply.set_result(failure)


def _plain(failure: OSError) -> str:
    if isinstance(failure, socket.gaierror):
        return "the host name is not known: check `host`, and the name server"
    if failure.errno in _REMEDIES:
        return _REMEDIES[failure.errno]
    return os.strerror(failure.errno) if failure.errno else str(failure)


BITS_PER_CHARACTER = 11
"""Start bit, eight data bits, parity (or a second stop bit), stop bit: serial line specification
V1.02 (secondary source)."""

LONGEST_FRAME = 256
"""Characters in the longest serial frame: application protocol V1.1b3 (secondary source)."""

FASTEST_COUNTED_BAUD = 19200
FIXED_GAP_S = 0.00175


def character_s(baud: int) -> float:
    """Seconds one character takes on a line of ``baud`` bit/s."""
    return BITS_PER_CHARACTER / baud


def frame_gap_s(baud: int) -> float:
    """Least silence between two frames, in seconds: 3.5 characters, and a fixed 1.750 ms above
    19 200 bit/s (serial line specification V1.02, secondary source)."""
    return FIXED_GAP_S if baud > FASTEST_COUNTED_BAUD else 3.5 * character_s(baud)


class Channel:
    """One exchange at a time; whoever uses it sees to that.

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

    async def exchange(self, request: Request, *, urgent: bool = False) -> Answer | ReadFailure:
        """One exchange. Where the bus is not connected it is connected first, unless the last
        attempt failed a moment ago: then the answer is at once UNREACHABLE.

        ``urgent`` tries to connect in any case and ignores a quarantine: for switching a valve
        off, whose echo cannot be taken for the late reply to anything else.
        """
        try:
            async with asyncio.timeout(None) as self._under_way:
                answer = await self._exchange(request, urgent)
        except TimeoutError:
            answer = self._unreachable()
        finally:
            self._under_way = None
        if isinstance(answer, ReadFailure):
            where = f"bus {self._settings.name}, {place(request)}"
            return ReadFailure(answer.kind, f"{where}: {answer.detail}")
        return answer

    async def _exchange(self, request: Request, urgent: bool) -> Answer | ReadFailure:
        """As ``exchange``, but without the place of a failure."""
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
            self._fail_to_connect(why_not)
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
