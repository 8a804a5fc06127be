"""Faults on the wire, put into the replies of a simulated device: what a client must survive."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum

from dustcake_sim.modbus_pdu import DeviceImage, exception_pdu, respond
from dustcake_sim.modbus_serial import ModbusSerialServer
from dustcake_sim.modbus_server import Encode, Exchange, ModbusServer


class FaultKind(Enum):
    """What goes wrong with a reply."""

    DROP = "drop"
    """No reply."""
    DELAY = "delay"
    """The right reply, late; later requests on the line wait behind it."""
    GARBLE = "garble"
    """A frame no client may accept: wrong protocol id on TCP, wrong CRC on a serial line."""
    WRONG_UNIT = "wrong_unit"
    WRONG_TRANSACTION = "wrong_transaction"
    """Another transaction id; a serial line has none, there it changes nothing."""
    WRONG_FUNCTION = "wrong_function"
    SHORT = "short"
    """The frame breaks off half-way, and nothing follows."""
    WRONG_COUNT = "wrong_count"
    """A well-formed read reply with one register, or eight bits, too few."""
    EXCEPTION = "exception"
    """A refusal: an exception reply, and nothing done."""
    CLOSE = "close"
    """The connection closes in place of a reply; on a serial line the same as DROP."""


@dataclass(frozen=True, slots=True)
class WireFault:
    """One fault. With `acts` false the device does not do what was asked either."""

    kind: FaultKind
    delay_s: float = 0.0
    exception_code: int = 0x04
    acts: bool = True


class FaultPlan:
    """The faults still to come, first in first out; empty means an honest wire."""

    def __init__(self) -> None:
        self._coming: deque[tuple[WireFault, int | None]] = deque()

    def inject(self, fault: WireFault, times: int = 1, function: int | None = None) -> None:
        """Spoil the next `times` replies; with `function`, only replies to that function code."""
        self._coming.extend([(fault, function)] * times)

    def clear(self) -> None:
        """Forget all faults still to come."""
        self._coming.clear()

    def take(self, function_code: int) -> WireFault | None:
        """The fault for the reply to this function code, if one is due; it is used up."""
        for index, (fault, function) in enumerate(self._coming):
            if function is None or function == function_code:
                del self._coming[index]
                return fault
        return None


def faults_on(server: ModbusServer | ModbusSerialServer) -> FaultPlan:
    """The faults to put into the replies to come of this server."""
    if not isinstance(server.exchange, _SpoiledExchange):
        serial = isinstance(server, ModbusSerialServer)
        server.exchange = _SpoiledExchange(server.exchange, serial=serial)
    return server.exchange.faults


class _SpoiledExchange(Exchange):
    def __init__(self, honest: Exchange, *, serial: bool) -> None:
        super().__init__(honest.units, honest.absent_unit)
        self.requests, self.silenced = honest.requests, honest.silenced
        self.faults = FaultPlan()
        self._serial = serial
        self._garbled: Callable[[bytes], bytes] = _wrong_crc if serial else _wrong_protocol

    async def reply(
        self, image: DeviceImage, unit: int, transaction: int, pdu: bytes, encode: Encode
    ) -> bytes | None:
        fault = self.faults.take(pdu[0])
        if fault is None:
            return await super().reply(image, unit, transaction, pdu, encode)
        acts = fault.acts and fault.kind is not FaultKind.EXCEPTION
        # A device that does not act has nothing to say but an exception.
        answer = respond(pdu, image) if acts else exception_pdu(pdu[0], 0x04)
        if fault.kind is FaultKind.CLOSE and not self._serial:
            raise ConnectionAbortedError
        if fault.kind in (FaultKind.DROP, FaultKind.CLOSE):
            return None
        await asyncio.sleep(fault.delay_s)
        match fault.kind:
            case FaultKind.WRONG_UNIT:
                unit = unit % 247 + 1
            case FaultKind.WRONG_TRANSACTION:
                transaction = (transaction + 1) & 0xFFFF
        frame = encode(_spoiled(fault, answer), unit, transaction)
        match fault.kind:
            case FaultKind.GARBLE:
                return self._garbled(frame)
            case FaultKind.SHORT:
                return frame[: len(frame) // 2]
            case _:
                return frame


def _wrong_protocol(frame: bytes) -> bytes:
    return frame[:2] + b"\xff\xff" + frame[4:]


def _wrong_crc(frame: bytes) -> bytes:
    return frame[:-1] + bytes([frame[-1] ^ 0xFF])


def _spoiled(fault: WireFault, pdu: bytes) -> bytes:
    """The reply PDU as this fault makes it."""
    match fault.kind:
        case FaultKind.WRONG_FUNCTION:
            other = pdu[0] ^ 0x01 if pdu[0] in (0x01, 0x02, 0x03, 0x04) else 0x03
            return bytes([other or 0x02]) + pdu[1:]
        case FaultKind.WRONG_COUNT if pdu[0] in (0x01, 0x02, 0x03, 0x04):
            size = 2 if pdu[0] in (0x03, 0x04) else 1
            return bytes([pdu[0], pdu[1] - size]) + pdu[2:-size]
        case FaultKind.EXCEPTION:
            return exception_pdu(pdu[0] & 0x7F, fault.exception_code)
        case _:
            return pdu
