"""A small Modbus TCP server that behaves like a device, for the simulator and for tests.

Why not pymodbus's server: it answers for units that are not there, leaves the second of two
requests in one segment unanswered, puts the newest request's transaction id on a delayed reply,
and runs a single write twice. A controller tested against it would be tested against habits no
device has. This one answers every request in order, each under its own transaction id, does each
write once.

An absent unit gets silence by default, as on a serial line; with `absent_unit = GATEWAY` it gets
exception 0x0B, as a gateway between TCP and a serial line sends. Both are met in plants; silence is
the harder one for a client. What is not Modbus TCP closes the connection: after a wrong header
nothing tells where the next frame begins.
"""

from __future__ import annotations

import asyncio
import contextlib
import struct
from collections.abc import Callable, Mapping
from enum import Enum
from types import TracebackType

from pymodbus.framer import FramerSocket
from pymodbus.pdu import DecodePDU

from dustcake_sim.modbus_pdu import DeviceImage, exception_pdu, is_write, respond

BROADCAST_UNIT = 0
GATEWAY_TARGET_SILENT = 0x0B
_HEADER = struct.Struct(">HHHB")
_LENGTHS = range(2, 255)  # unit id and PDU; a PDU is at most 253 bytes

Encode = Callable[[bytes, int, int], bytes]
"""Puts a PDU, unit and transaction id into a frame."""


class AbsentUnit(Enum):
    """What a request for a unit that is not there gets."""

    SILENCE = "silence"
    GATEWAY = "gateway"


class Exchange:
    """Requests in, replies out, whatever carries them."""

    def __init__(self, units: Mapping[int, DeviceImage], absent_unit: AbsentUnit) -> None:
        self.units = dict(units)
        self.absent_unit = absent_unit
        self.requests = 0
        """Requests received, for whatever unit."""
        self.silenced: Callable[[], bool] = lambda: False
        """While true, nothing is done and nothing answered, as with the device's power off."""

    async def answer(self, unit: int, transaction: int, pdu: bytes, encode: Encode) -> bytes | None:
        """Do what a request asks; its reply as a frame, None for silence."""
        self.requests += 1
        if self.silenced():
            return None
        image = self.units.get(unit)
        if image is not None:
            return await self.reply(image, unit, transaction, pdu, encode)
        if self.absent_unit is AbsentUnit.SILENCE:
            return None
        return encode(exception_pdu(pdu[0], GATEWAY_TARGET_SILENT), unit, transaction)

    async def reply(
        self, image: DeviceImage, unit: int, transaction: int, pdu: bytes, encode: Encode
    ) -> bytes | None:
        """What a unit that is there replies; a test may delay or spoil it."""
        return encode(respond(pdu, image), unit, transaction)

    def broadcast(self, pdu: bytes) -> None:
        """Let every unit do what a broadcast asks. Only writes mean anything there."""
        if is_write(pdu) and not self.silenced():
            for image in self.units.values():
                respond(pdu, image)


class ModbusServer:
    """Serve images over Modbus TCP: `async with ModbusServer({1: image}) as server:`."""

    def __init__(
        self,
        units: Mapping[int, DeviceImage],
        *,
        host: str = "127.0.0.1",
        port: int = 0,
        absent_unit: AbsentUnit = AbsentUnit.SILENCE,
    ) -> None:
        """Serve `units` (image by unit id) once started. Port 0 lets the system choose one."""
        self.host = host
        self.exchange = Exchange(units, absent_unit)
        self._wanted_port = port
        self._framer = FramerSocket(DecodePDU(is_server=True))
        self._server: asyncio.Server | None = None
        self._connections: set[asyncio.Task[None]] = set()

    @property
    def port(self) -> int:
        """The port listened on. Raises RuntimeError before `start`."""
        if self._server is None:
            raise RuntimeError("the server is not started: it has no port yet")
        port: int = self._server.sockets[0].getsockname()[1]
        return port

    @property
    def connections(self) -> int:
        """How many clients are connected."""
        return len(self._connections)

    async def start(self) -> None:
        """Begin to listen. Raises OSError when the address or port is not to be had."""
        self._server = await asyncio.start_server(self._serve, self.host, self._wanted_port)

    async def stop(self) -> None:
        """Stop listening and close every connection."""
        if self._server is None:
            return
        self._server.close()
        ending = list(self._connections)
        for task in ending:
            task.cancel()
        await asyncio.gather(*ending)
        await self._server.wait_closed()
        self._server = None

    def drop_connections(self) -> None:
        """Close every connection but go on listening, as a device does that restarts."""
        for task in self._connections:
            task.cancel()

    async def __aenter__(self) -> ModbusServer:
        await self.start()
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        await self.stop()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None  # a coroutine that runs is in a task
        self._connections.add(task)
        try:
            # A cancelled handler ends here: asyncio's stream machinery would log it as an error.
            with contextlib.suppress(asyncio.CancelledError):
                await self._converse(reader, writer)
        finally:
            self._connections.discard(task)
            writer.close()

    async def _converse(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            while True:
                header = await reader.readexactly(_HEADER.size)
                transaction, protocol, length, unit = _HEADER.unpack(header)
                if protocol != 0 or length not in _LENGTHS:
                    return
                pdu = await reader.readexactly(length - 1)
                frame = await self.exchange.answer(unit, transaction, pdu, self._framer.encode)
                if frame is not None:
                    writer.write(frame)
                    await writer.drain()
        except (asyncio.IncompleteReadError, ConnectionError):
            return  # the client went away
