"""A small Modbus TCP server that behaves like a device, for the simulator and for tests.

Why not pymodbus's server: it answers for units that are not there, leaves the second of two
requests in one segment unanswered, puts the newest request's transaction id on a delayed reply,
and runs a single write twice. A controller tested against it would be tested against habits no
device has. This one answers every request in order, each under its own transaction id, does each
write once, and can be told to misbehave (`wire_faults`).

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
from dustcake_sim.wire_faults import FaultKind, FaultPlan, Reply, WireFault, spoiled

BROADCAST_UNIT = 0
GATEWAY_TARGET_SILENT = 0x0B
_HEADER = struct.Struct(">HHHB")
_LENGTHS = range(2, 255)  # unit id and PDU; a PDU is at most 253 bytes
_HONEST = WireFault(FaultKind.DELAY)


class AbsentUnit(Enum):
    """What a request for a unit that is not there gets."""

    SILENCE = "silence"
    GATEWAY = "gateway"


class Exchange:
    """Requests in, replies out, whatever carries them."""

    def __init__(self, units: Mapping[int, DeviceImage], absent_unit: AbsentUnit) -> None:
        self.units = dict(units)
        self.absent_unit = absent_unit
        self.faults = FaultPlan()
        self.requests = 0
        """Requests received, for whatever unit."""
        self.silenced: Callable[[], bool] = lambda: False
        """While true, nothing is done and nothing answered, as with the device's power off."""

    def answer(self, unit: int, transaction: int, pdu: bytes) -> tuple[Reply | None, WireFault]:
        """Do what a request asks; its reply (None for silence) and the fault to send it with."""
        self.requests += 1
        if self.silenced():
            return None, _HONEST
        image = self.units.get(unit)
        if image is None:
            if self.absent_unit is AbsentUnit.SILENCE:
                return None, _HONEST
            return Reply(unit, transaction, exception_pdu(pdu[0], GATEWAY_TARGET_SILENT)), _HONEST
        fault = self.faults.take(pdu[0]) or _HONEST
        acts = fault.acts and fault.kind is not FaultKind.EXCEPTION
        # A device that does not act has nothing to say but an exception.
        answer = respond(pdu, image) if acts else exception_pdu(pdu[0], 0x04)
        if fault.kind in (FaultKind.DROP, FaultKind.CLOSE):
            return None, fault
        return spoiled(fault, Reply(unit, transaction, answer)), fault

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
    def faults(self) -> FaultPlan:
        """Faults to put into the replies to come."""
        return self.exchange.faults

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
                reply, fault = self.exchange.answer(unit, transaction, pdu)
                if fault.kind is FaultKind.CLOSE:
                    return
                if reply is None:
                    continue
                if fault.delay_s > 0.0:
                    await asyncio.sleep(fault.delay_s)
                writer.write(self._frame(reply, fault))
                await writer.drain()
        except (asyncio.IncompleteReadError, ConnectionError):
            return  # the client went away

    def _frame(self, reply: Reply, fault: WireFault) -> bytes:
        frame = self._framer.encode(reply.pdu, reply.unit, reply.transaction)
        match fault.kind:
            case FaultKind.GARBLE:
                return frame[:2] + b"\xff\xff" + frame[4:]
            case FaultKind.SHORT:
                return frame[: len(frame) // 2]
            case _:
                return frame
