"""One connection of one bus, for as long as it is trusted.

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

from dustcake.adapters.modbus.messages import BadReplyError, rtu_reply_whole, tcp_reply_whole
from dustcake.core.inputs import FailureKind, ReadFailure
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
        self._reply = reply = asyncio.get_running_loop().create_future()
        self._unanswered = True
        self.active_s = self._monotonic()
        self._transport.write(self._sent)
        try:
            async with asyncio.timeout(self._settings.timeout_s):
                await reply
        except TimeoutError:
            if reply.cancelled():  # otherwise it came in the same moment
                why = f"no reply within {self._settings.timeout_s:g} s"
                return ReadFailure(FailureKind.TIMEOUT, why)
        finally:
            self._reply = None
        failure: ReadFailure | None = reply.result()
        if failure is not None:
            return failure
        self.answered = True
        self._unanswered = False
        _, decoded = self._framer.handleFrame(self._received, 0, 0)
        assert decoded is not None  # it has been checked
        return decoded

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
        """The connection is open."""
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
        """The connection is gone."""
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
