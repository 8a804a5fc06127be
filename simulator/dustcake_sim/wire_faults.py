"""Faults on the wire, to be put into a server's replies: what a client must survive."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, replace
from enum import Enum

from dustcake_sim.modbus_pdu import exception_pdu


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


@dataclass(frozen=True, slots=True)
class Reply:
    """A reply before framing."""

    unit: int
    transaction: int
    pdu: bytes


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


def spoiled(fault: WireFault, reply: Reply) -> Reply:
    """The reply as this fault makes it, as far as that shows before framing."""
    pdu = reply.pdu
    match fault.kind:
        case FaultKind.WRONG_UNIT:
            return replace(reply, unit=reply.unit % 247 + 1)
        case FaultKind.WRONG_TRANSACTION:
            return replace(reply, transaction=(reply.transaction + 1) & 0xFFFF)
        case FaultKind.WRONG_FUNCTION:
            other = pdu[0] ^ 0x01 if pdu[0] in (0x01, 0x02, 0x03, 0x04) else 0x03
            return replace(reply, pdu=bytes([other or 0x02]) + pdu[1:])
        case FaultKind.WRONG_COUNT if pdu[0] in (0x01, 0x02, 0x03, 0x04):
            size = 2 if pdu[0] in (0x03, 0x04) else 1
            return replace(reply, pdu=bytes([pdu[0], pdu[1] - size]) + pdu[2:-size])
        case FaultKind.EXCEPTION:
            return replace(reply, pdu=exception_pdu(pdu[0] & 0x7F, fault.exception_code))
        case _:
            return reply
