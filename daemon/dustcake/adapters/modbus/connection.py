"""One connection of one bus: a client object of the library for as long as it is trusted.

The client library accepts replies of another function, another length or another transaction,
so each reply is compared with its request here before the library may decode it.
"""

import asyncio
import contextlib
import errno
import os
import socket
import struct
import termios
from collections.abc import Callable
from typing import Any

from pymodbus.client import AsyncModbusSerialClient, AsyncModbusTcpClient
from pymodbus.exceptions import ModbusException
from pymodbus.framer import FramerRTU
from pymodbus.pdu import ModbusPDU

from dustcake.core.inputs import FailureKind
from dustcake.core.record import record
from dustcake.settings.buses import SerialBus, TcpBus

_PARITY = {"even": ("E", 1), "odd": ("O", 1), "none": ("N", 2)}
_CONNECT_TIMEOUT_S = 1.0
# SO_LINGER of socket(7): whether to linger, and for how many seconds. With none, closing resets the
# connection and throws away what has not been delivered.
_DISCARD, _DELIVER = struct.pack("ii", 1, 0), struct.pack("ii", 0, 0)
_LIBRARY_PATIENCE_S = 60.0  # never reached: the time-outs here are shorter
_REMEDIES = {
    errno.ECONNREFUSED: "connection refused: check the port number, and that the device serves it",
    errno.EHOSTUNREACH: "no route to the host: check address, cable and network",
    errno.ENETUNREACH: "no route to the network: check address and network settings",
    errno.ENOENT: "there is no such serial port: check its name, and that the adapter is plugged",
    errno.EACCES: "permission denied: let this user use the serial port (group dialout)",
    errno.EBUSY: "the serial port is in use by another program",
    errno.EAGAIN: "the serial port is in use by another program",
}


@record
class Fault:
    """Why an exchange failed: kind, and cause in plain words."""

    kind: FailureKind
    cause: str


class Connection:
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
        self._monotonic = monotonic
        self._timeout_s = settings.timeout_s
        self._sent = b""
        self._waiting: asyncio.Timeout | None = None
        self._unanswered = False
        self._fault: Fault | None = None
        self._why_not = "the connection could not be made"
        common: dict[str, Any] = {
            "name": settings.name,
            "timeout": _LIBRARY_PATIENCE_S,
            "retries": 0,
            "reconnect_delay": 0,
            "trace_packet": self._gate,
            "trace_connect": self._connection_changed,
        }
        self._client: AsyncModbusTcpClient | AsyncModbusSerialClient
        if isinstance(settings, TcpBus):
            self._reply_whole = tcp_reply_whole
            self._client = AsyncModbusTcpClient(settings.host, port=settings.port, **common)
        else:
            parity, stop_bits = _PARITY[settings.parity]
            self._reply_whole = rtu_reply_whole
            self._client = AsyncModbusSerialClient(
                settings.port, baudrate=settings.baud, parity=parity, stopbits=stop_bits, **common
            )
        self._create = self._client.ctx.call_create
        self._client.ctx.call_create = self._create_saying_why

    async def open(self) -> str | None:
        """Connect. Returns None, or why it could not, in plain words."""
        limit_s = max(self._timeout_s, _CONNECT_TIMEOUT_S)
        try:
            async with asyncio.timeout(limit_s):
                self.usable = await self._client.connect()
        except TimeoutError:
            self._why_not = f"no connection within {limit_s:g} s"
        self.active_s = self._monotonic()
        self._on_close(_DISCARD)
        return None if self.usable else self._why_not

    async def exchange(self, pdu: ModbusPDU) -> ModbusPDU | Fault:
        """Send ``pdu`` and return the reply, checked byte by byte against it, or what was wrong.

        Returns as soon as the reply is known to be wrong or the connection is lost.
        """
        self._fault = None
        self._unanswered = True
        try:
            async with asyncio.timeout(self._timeout_s) as self._waiting:
                reply: ModbusPDU = await self._client.execute(False, pdu)
        except TimeoutError:
            return self._why_unanswered()
        except ModbusException:
            return Fault(FailureKind.LOST, "the connection was lost")
        finally:
            self._waiting = None
        self.answered = True
        self._unanswered = False
        return reply

    def _why_unanswered(self) -> Fault:
        if self._fault is not None:
            return self._fault
        return Fault(FailureKind.TIMEOUT, f"no reply within {self._timeout_s:g} s")

    def close(self) -> None:
        """Give the connection up. A request without an answer must not arrive any more: an order
        that the network holds back would switch a valve on after it has been given up, and after
        the valves have been proved off over the next connection. The same goes for a daemon that
        is killed, so that the connection is made to be reset from the beginning."""
        self.usable = False
        if not self._unanswered:
            self._on_close(_DELIVER)
        self._client.close()

    def _on_close(self, linger: bytes) -> None:
        transport: asyncio.BaseTransport | None = self._client.ctx.transport
        sock = None if transport is None else transport.get_extra_info("socket")
        if sock is not None:  # a serial port has none
            with contextlib.suppress(OSError):
                sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, linger)

    async def _create_saying_why(self) -> Any:
        """Connect as the library does, but keep the cause, which it only logs, and turn the one
        error of a serial port that is not an OSError into one, which it understands."""
        try:
            return await self._create()
        except OSError as failure:
            self._why_not = _plain(failure)
            raise
        except termios.error as failure:
            self._why_not = "the serial port refuses its settings: check `baud` and `parity`"
            raise ConnectionError(self._why_not) from failure

    def _gate(self, sending: bool, data: bytes) -> bytes:
        """The library's view of the bytes: it gets to see a reply once it is whole and right.

        ``data`` received is all since the request; an empty result makes the library wait.
        Bytes that nobody waits for are passed over.
        """
        self.active_s = self._monotonic()
        if sending:
            self._sent = data
            return data
        if self._waiting is None:
            return b""
        try:
            return data if self._reply_whole(self._sent, data) else b""
        except BadReplyError as wrong:
            self._end_waiting(Fault(FailureKind.BAD_REPLY, str(wrong)))
            return b""

    def _connection_changed(self, connected: bool) -> None:
        if connected:
            return
        self.usable = False
        self._end_waiting(Fault(FailureKind.LOST, "the connection broke while waiting"))

    def _end_waiting(self, fault: Fault) -> None:
        if self._waiting is None or self._fault is not None or self._waiting.expired():
            return
        self._fault = fault
        self._waiting.reschedule(asyncio.get_running_loop().time())


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

_MBAP = 7  # transaction (2), protocol (2), length (2), unit (1)
_EXCEPTION = 0x80
_EXCEPTION_PDU = 2
_BIT_READS = (1, 2)
_WORD_READS = (3, 4)


class BadReplyError(Exception):
    """What was received cannot be the reply to what was sent; the message says why."""


def crc16(data: bytes) -> int:
    """CRC-16/MODBUS of ``data`` as a number: 0x1241 for 02 07, as in the serial line
    specification (secondary source). It goes on the wire low byte first."""
    on_the_wire = FramerRTU.compute_CRC(data).to_bytes(2, "big")
    return int.from_bytes(on_the_wire, "little")


def character_s(baud: int) -> float:
    """Seconds one character takes on a line of ``baud`` bit/s."""
    return BITS_PER_CHARACTER / baud


def frame_gap_s(baud: int) -> float:
    """Least silence between two frames, in seconds: 3.5 characters, and a fixed 1.750 ms above
    19 200 bit/s (serial line specification V1.02, secondary source)."""
    if baud > FASTEST_COUNTED_BAUD:
        return FIXED_GAP_S
    return 3.5 * character_s(baud)


def tcp_reply_whole(sent: bytes, received: bytes) -> bool:
    """Whether ``received`` is all of the reply to the TCP frame ``sent``; False: more must come.

    Raises BadReplyError as soon as the bytes show that it is not that reply. Transaction id 0
    counts as wrong like any other that was not sent.
    """
    request = sent[_MBAP:]
    if received[:2] != sent[: len(received[:2])]:
        raise BadReplyError("the reply carries another transaction id than the request")
    if any(received[2:4]):
        raise BadReplyError("the reply is not Modbus: its protocol id is not 0")
    if len(received) >= _MBAP - 1:
        length = int.from_bytes(received[4:6], "big")
        expected = 1 + _reply_length(request)
        if length not in (expected, 1 + _EXCEPTION_PDU):
            raise BadReplyError(f"the reply has length {length} instead of {expected}")
        if len(received) > _MBAP and length != 1 + _length_begun(request, received[_MBAP]):
            raise BadReplyError(f"the reply has length {length}, which its function denies")
    _check_unit(sent[_MBAP - 1], received[_MBAP - 1 : _MBAP])
    return _pdu_whole(request, received[_MBAP:], trailer=0)


def rtu_reply_whole(sent: bytes, received: bytes) -> bool:
    """Whether ``received`` is all of the reply to the serial frame ``sent``; False: more must
    come. Raises BadReplyError as soon as the bytes show that it is not that reply."""
    _check_unit(sent[0], received[:1])
    if not _pdu_whole(sent[1:-2], received[1:], trailer=2):
        return False
    if int.from_bytes(received[-2:], "little") != crc16(received[:-2]):
        raise BadReplyError("the checksum of the reply is wrong: noise, or two devices with one id")
    return True


def _check_unit(unit: int, received: bytes) -> None:
    if received and received[0] != unit:
        raise BadReplyError(f"the reply comes from unit {received[0]}")


def _reply_length(request: bytes) -> int:
    """Bytes in the PDU of a good reply to the PDU ``request``."""
    quantity = int.from_bytes(request[3:5], "big")
    if request[0] in _BIT_READS:
        return 2 + (quantity + 7) // 8
    if request[0] in _WORD_READS:
        return 2 + 2 * quantity
    return 5  # a write is answered with its address, and its value or quantity


def _length_begun(request: bytes, function: int) -> int:
    """Bytes in the PDU of a reply that begins with ``function``."""
    return _EXCEPTION_PDU if function & _EXCEPTION else _reply_length(request)


def _pdu_whole(request: bytes, received: bytes, trailer: int) -> bool:
    """The check both framings share. ``received``: reply PDU so far, and ``trailer`` bytes."""
    if not received:
        return False
    function = received[0]
    if function & ~_EXCEPTION != request[0]:
        raise BadReplyError(f"function {request[0]} was answered with function {function}")
    if not function & _EXCEPTION:
        _check_start(request, received)
    missing = _length_begun(request, function) + trailer - len(received)
    if missing < 0:
        raise BadReplyError(f"{-missing} more bytes than the reply has follow it")
    return missing == 0


def _check_start(request: bytes, received: bytes) -> None:
    if request[0] in _BIT_READS + _WORD_READS:
        expected = _reply_length(request) - 2
        if len(received) > 1 and received[1] != expected:
            raise BadReplyError(f"the reply has {received[1]} data bytes instead of {expected}")
    elif received[:5] != request[: len(received[:5])]:
        raise BadReplyError("the reply does not repeat what was written")
