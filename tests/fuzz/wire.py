"""A Modbus line in memory under simulated time, on which anything can happen to a reply."""

import asyncio
from collections.abc import Callable, Coroutine, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any
from unittest import mock

import crcmod
from hypothesis import strategies as st

from dustcake.settings.buses import SerialBus, TcpBus
from ports.modbus.device import Device
from runtime.simulated_time import SimulatedLoop

TIMEOUT_S = 0.05
crc = crcmod.mkCrcFun(0x18005, rev=True, initCrc=0xFFFF, xorOut=0)

TCP = TcpBus(kind="tcp", name="hall", host="192.0.2.1", port=502, timeout_s=TIMEOUT_S, retries=0)
RTU = SerialBus(
    kind="rtu",
    name="hall",
    port="/dev/none",
    baud=115200,
    parity="none",
    timeout_s=TIMEOUT_S,
    retries=0,
)


@dataclass
class Exchange:
    """A request and what its honest reply is; ``heard``: what came in until the next request."""

    request: bytes
    unit: int
    pdu: bytes
    reply: bytes
    framed: Callable[[int, bytes], bytes]
    at_s: float
    heard: bytes = b""

    @property
    def honest(self) -> bytes:
        return self.framed(self.unit, self.reply)

    def valid(self) -> Iterator[bytes]:
        """PDU of every piece of ``heard`` that is a right reply, by the specifications alone."""
        for start in range(len(self.heard)):
            yield from self._valid_from(self.heard[start : start + 300])

    def _valid_from(self, heard: bytes) -> Iterator[bytes]:
        function, quantity = self.pdu[0], int.from_bytes(self.pdu[3:5], "big")
        if function in (1, 2):
            size = 2 + (quantity + 7) // 8
        elif function in (3, 4):
            size = 2 + 2 * quantity
        else:
            size = 5
        for length in (size, 2):
            pdu = self._unframed(heard, length)
            if pdu is None:
                continue
            if length == 2 and pdu[0] == function | 0x80:
                yield pdu
            if length == size and pdu[0] == function:
                counted = function > 4 or pdu[1] == size - 2
                echoed = function <= 4 or pdu == self.pdu[:5]
                if counted and echoed:
                    yield pdu

    def _unframed(self, heard: bytes, length: int) -> bytes | None:
        if len(self.request) != len(self.pdu) + 7:  # serial
            frame = heard[: length + 3]
            good = len(frame) == length + 3 and frame[0] == self.unit and crc(frame) == 0
            return frame[1:-2] if good else None
        frame = heard[: length + 7]
        head = self.request[:4] + (length + 1).to_bytes(2, "big") + bytes([self.unit])
        return frame[7:] if len(frame) == length + 7 and frame[:7] == head else None


Piece = tuple[float, bytes | None]
"""So many seconds after the request, these bytes; None: the connection is cut."""

Mishap = Callable[[Exchange, list[Exchange]], list[Piece]]
"""From an exchange and those before it to what comes in."""


def honestly(exchange: Exchange, _: list[Exchange]) -> list[Piece]:
    return [(0.001, exchange.honest)]


class Wire:
    """``mishaps`` befall one exchange each, then all is well. ``lies``: also such as make another
    right reply of it, which nobody can tell from the truth."""

    def __init__(self, serial: bool, mishaps: Iterable[Mishap], *, lies: bool = False) -> None:
        self.settings = RTU if serial else TCP
        self.device = Device()
        self.exchanges: list[Exchange] = []
        self.before: Callable[[bytes], None] = lambda pdu: None
        self.keep_heard = True
        self._serial = serial
        self._mishaps = list(mishaps)
        self._lies = lies
        self._loop: asyncio.AbstractEventLoop

    @property
    def mishaps_left(self) -> int:
        """How many have not befallen an exchange yet."""
        return len(self._mishaps)

    def sent(self, transport: "MemoryTransport", request: bytes) -> None:
        self._loop = asyncio.get_running_loop()
        unit, pdu = (request[0], request[1:-2]) if self._serial else (request[6], request[7:])
        self.before(pdu)
        exchange = Exchange(
            request, unit, pdu, self.device.reply(pdu), self._frame(request), self._loop.time()
        )
        mishap = self._mishaps.pop(0) if self._mishaps else honestly
        pieces = mishap(exchange, self.exchanges)
        if not self._lies:
            exchange.heard = b"".join(piece for _, piece in pieces if piece)
            if any(pdu != exchange.reply for pdu in exchange.valid()):
                pieces = []
            exchange.heard = b""
        self.exchanges.append(exchange)
        for delay_s, piece in pieces:
            self._loop.call_later(delay_s, self._deliver, transport, piece)

    def _frame(self, request: bytes) -> Callable[[int, bytes], bytes]:
        def framed(unit: int, pdu: bytes) -> bytes:
            if self._serial:
                frame = bytes([unit]) + pdu
                checksum: int = crc(frame)
                return frame + checksum.to_bytes(2, "little")
            return request[:4] + (len(pdu) + 1).to_bytes(2, "big") + bytes([unit]) + pdu

        return framed

    def _deliver(self, transport: "MemoryTransport", piece: bytes | None) -> None:
        if transport.is_closing():
            return
        if piece is None:
            transport.close()
        elif piece:
            if self.keep_heard:
                self.exchanges[-1].heard += piece
            transport.protocol.data_received(piece)


class MemoryTransport(asyncio.Transport):
    def __init__(self, wire: Wire, protocol: Any) -> None:
        super().__init__()
        self.protocol = protocol
        self._wire = wire
        self._closed = False

    def write(self, data: Any) -> None:
        if not self._closed:
            self._wire.sent(self, bytes(data))

    def is_closing(self) -> bool:
        return self._closed

    def close(self) -> None:
        if not self._closed:
            self._closed = True
            asyncio.get_running_loop().call_soon(self.protocol.connection_lost, None)

    abort = close


@contextmanager
def connecting_to(wire: Wire) -> Iterator[None]:
    """Whatever the client library connects to is ``wire``."""

    async def connected(protocol_factory: Callable[[], Any]) -> tuple[MemoryTransport, Any]:
        protocol = protocol_factory()
        transport = MemoryTransport(wire, protocol)
        protocol.connection_made(transport)
        return transport, protocol

    async def tcp(_: object, factory: Callable[[], Any], *__: Any, **___: Any) -> Any:
        return await connected(factory)

    async def serial(_: object, factory: Callable[[], Any], *__: Any, **___: Any) -> Any:
        return await connected(factory)

    with (
        mock.patch.object(SimulatedLoop, "create_connection", tcp, create=True),
        mock.patch("dustcake.adapters.modbus.connection.create_serial_connection", serial),
    ):
        yield


def run(story: Coroutine[Any, Any, None]) -> None:
    """Run ``story`` under simulated time; nothing may be left over, or go wrong unseen."""
    unseen: list[dict[str, Any]] = []

    async def watched() -> None:
        asyncio.get_running_loop().set_exception_handler(lambda _, found: unseen.append(found))
        await story
        left = asyncio.all_tasks() - {asyncio.current_task()}
        assert not left, f"tasks left running: {left}"

    with asyncio.Runner(loop_factory=SimulatedLoop) as runner:
        runner.run(watched())
    assert not unseen, unseen


def _framed_wrong(unit_by: int, function_by: int) -> Mishap:
    def mishap(exchange: Exchange, _: list[Exchange]) -> list[Piece]:
        reply = bytes([(exchange.reply[0] + function_by) & 0xFF]) + exchange.reply[1:]
        return [(0.001, exchange.framed((exchange.unit + unit_by) & 0xFF, reply))]

    return mishap


def _other_pdu(change: Callable[[bytes], bytes]) -> Mishap:
    def mishap(exchange: Exchange, _: list[Exchange]) -> list[Piece]:
        return [(0.001, exchange.framed(exchange.unit, change(exchange.reply) or b"\0"))]

    return mishap


def _other_frame(change: Callable[[bytes], bytes]) -> Mishap:
    return lambda exchange, _: [(0.001, change(exchange.honest))]


def _flipped(data: bytes, at: int, mixed: int) -> bytes:
    at %= len(data)
    return data[:at] + bytes([data[at] ^ mixed]) + data[at + 1 :]


def _late(part: float) -> Mishap:
    """After the time-out, but before it has passed a second time."""
    return lambda exchange, _: [((1.05 + 0.9 * part) * TIMEOUT_S, exchange.honest)]


def _earlier(back: int) -> Mishap:
    def mishap(exchange: Exchange, before: list[Exchange]) -> list[Piece]:
        return [(0.001, (before or [exchange])[-min(back, len(before)) or -1].honest)]

    return mishap


def _in_pieces(cuts: list[int], apart_s: float) -> Mishap:
    def mishap(exchange: Exchange, _: list[Exchange]) -> list[Piece]:
        ends = sorted({cut % len(exchange.honest) for cut in cuts} | {len(exchange.honest)})
        starts = [0, *ends]
        return [
            (0.001 + n * apart_s, exchange.honest[start:end])
            for n, (start, end) in enumerate(zip(starts, ends, strict=False))
        ]

    return mishap


def _around(head: bytes, tail: bytes, apart_s: float) -> Mishap:
    def mishap(exchange: Exchange, _: list[Exchange]) -> list[Piece]:
        if not apart_s:
            return [(0.001, head + exchange.honest + tail)]
        pieces = (head, exchange.honest, tail)
        return [(0.001 + n * apart_s, piece) for n, piece in enumerate(pieces)]

    return mishap


BYTE = st.integers(1, 255)
APART = st.sampled_from([0.0, 0.0005, 0.01, 0.04])
RUBBISH = st.binary(max_size=40) | st.sampled_from([b"\0" * 300, b"\xff" * 261, b"\1\3" * 5000])

MISHAPS: st.SearchStrategy[Mishap] = st.one_of(
    st.just(honestly),
    st.just(lambda exchange, before: []),
    st.just(lambda exchange, before: [(0.001, None)]),
    st.builds(lambda b, s: lambda e, _: [(s, b)], RUBBISH, st.sampled_from([0.0, 0.001, 0.049])),
    st.builds(_framed_wrong, BYTE, st.just(0)),
    st.builds(_framed_wrong, st.just(0), BYTE),
    st.builds(lambda code: _other_pdu(lambda pdu: bytes([pdu[0] | 0x80, code])), BYTE),
    st.builds(lambda n: _other_pdu(lambda pdu: pdu[:n]), st.integers(0, 8)),
    st.builds(lambda more: _other_pdu(lambda pdu: pdu + more), st.binary(min_size=1, max_size=6)),
    st.builds(lambda n: _other_pdu(lambda pdu: _flipped(pdu, 1, n)), BYTE),
    st.builds(lambda at, n: _other_pdu(lambda pdu: _flipped(pdu, at, n)), BYTE, BYTE),
    st.builds(lambda at, n: _other_frame(lambda frame: _flipped(frame, at, n)), BYTE, BYTE),
    st.builds(lambda n: _other_frame(lambda frame: frame[:n]), st.integers(0, 12)),
    st.builds(lambda n: _other_frame(lambda frame: frame * n), st.sampled_from([2, 3, 100])),
    st.builds(_earlier, st.integers(1, 4)),
    st.builds(_late, st.floats(0, 1)),
    st.builds(_in_pieces, st.lists(st.integers(0, 300), max_size=4), APART),
    st.builds(_around, RUBBISH, RUBBISH, APART),
)
