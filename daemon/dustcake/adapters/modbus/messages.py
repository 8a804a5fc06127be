"""Requests to a device, and the client library's objects for them."""

from collections.abc import Iterable

from pymodbus.constants import ExcCodes
from pymodbus.pdu import ModbusPDU
from pymodbus.pdu.bit_message import (
    ReadCoilsRequest,
    ReadDiscreteInputsRequest,
    WriteMultipleCoilsRequest,
    WriteSingleCoilRequest,
)
from pymodbus.pdu.register_message import (
    ReadHoldingRegistersRequest,
    ReadInputRegistersRequest,
    WriteSingleRegisterRequest,
)

from dustcake.core.record import record
from dustcake.settings.buses import BitTable, WordTable

Answer = tuple[int, ...]
"""Registers, or bits as 0 and 1, in the order of their addresses; empty for a write."""


@record
class Read:
    """Read ``count`` bits or registers from ``address`` on."""

    unit: int
    table: BitTable | WordTable
    address: int
    count: int


@record
class WriteCoils:
    """Write consecutive coils from ``address`` on: function 05 for one, 0F for several."""

    unit: int
    address: int
    bits: tuple[bool, ...]


@record
class WriteRegister:
    """Write one holding register."""

    unit: int
    address: int
    word: int


Request = Read | WriteCoils | WriteRegister

_READS: dict[BitTable | WordTable, type[ModbusPDU]] = {
    BitTable.COIL: ReadCoilsRequest,
    BitTable.DISCRETE: ReadDiscreteInputsRequest,
    WordTable.HOLDING: ReadHoldingRegistersRequest,
    WordTable.INPUT: ReadInputRegistersRequest,
}

_PLACES: dict[BitTable | WordTable, str] = {
    BitTable.COIL: "coil",
    BitTable.DISCRETE: "discrete input",
    WordTable.HOLDING: "holding register",
    WordTable.INPUT: "input register",
}

_EXCEPTIONS: dict[int, str] = {
    ExcCodes.ILLEGAL_FUNCTION: "it does not know this function",
    ExcCodes.ILLEGAL_ADDRESS: "it has nothing at this address",
    ExcCodes.ILLEGAL_VALUE: "it does not accept this value or quantity",
    ExcCodes.DEVICE_FAILURE: "it has failed",
    ExcCodes.ACKNOWLEDGE: "it needs more time",
    ExcCodes.DEVICE_BUSY: "it is busy",
    ExcCodes.GATEWAY_PATH_UNAVIABLE: "the gateway has no path to it",
    ExcCodes.GATEWAY_NO_RESPONSE: "it did not answer the gateway",
}


def to_pdu(request: Request) -> ModbusPDU:
    """``request`` as the client library's own object, fresh for one exchange."""
    match request:
        case Read(unit, table, address, count):
            return _READS[table](dev_id=unit, address=address, count=count)
        case WriteCoils(unit, address, (bit,)):
            return WriteSingleCoilRequest(dev_id=unit, address=address, bits=[bit])
        case WriteCoils(unit, address, bits):
            return WriteMultipleCoilsRequest(dev_id=unit, address=address, bits=list(bits))
        case WriteRegister(unit, address, word):
            return WriteSingleRegisterRequest(dev_id=unit, address=address, registers=[word])


def answer_of(request: Request, reply: ModbusPDU) -> Answer:
    """What ``reply``, already checked against ``request``, says."""
    if not isinstance(request, Read):
        return ()
    if isinstance(request.table, WordTable):
        return tuple(reply.registers)
    return tuple(int(bit) for bit in reply.bits[: request.count])


def exception_words(code: int) -> str:
    """A Modbus exception code in plain words (application protocol V1.1b3, secondary source)."""
    return f"the device refuses: {_EXCEPTIONS.get(code, 'no known reason')} (exception {code})"


def place(request: Request) -> str:
    """Which unit and address ``request`` is about, as a technician would say it."""
    match request:
        case Read(unit, table, address, count):
            return f"unit {unit}, {_numbered(_PLACES[table], address, count)}"
        case WriteCoils(unit, address, bits):
            return f"unit {unit}, {_numbered('coil', address, len(bits))}"
        case WriteRegister(unit, address):
            return f"unit {unit}, {_numbered('holding register', address, 1)}"


def _numbered(what: str, address: int, count: int) -> str:
    return f"{what} {address}" if count == 1 else f"{what}s {address} to {address + count - 1}"


MOST_WITH_GAPS = 16
"""Longest run of bits read together where there are gaps between them: one module's worth."""


@record
class Span:
    """``count`` consecutive addresses from ``address`` on."""

    address: int
    count: int


def joined(spans: Iterable[Span]) -> list[Span]:
    """``spans`` in order of address, merged where they adjoin or where the result is short.

    Gaps are read along; a device that has nothing there refuses, and is then read span by span.
    """
    blocks: list[Span] = []
    for span in sorted(spans, key=lambda each: each.address):
        if blocks:
            last = blocks[-1]
            count = max(span.address + span.count - last.address, last.count)
            adjoins = span.address <= last.address + last.count
            if adjoins or count <= MOST_WITH_GAPS:
                blocks[-1] = Span(last.address, count)
                continue
        blocks.append(span)
    return blocks
