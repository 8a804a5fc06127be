"""A Modbus server's answer to one request PDU, as the specification's state diagrams have it.

Order of checks: function, then quantity or value, then address, then processing (exceptions 01,
03, 02, 04; MODBUS Application Protocol V1.1b3, secondary source). The checks look at the bytes
before pymodbus decodes them, because its decoder refuses a wrong quantity without an exception
reply and takes any coil value but zero for ON; encoding and decoding are then its own.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from enum import Enum
from typing import Protocol

from pymodbus.pdu import DecodePDU, ModbusPDU
from pymodbus.pdu.bit_message import (
    ReadCoilsResponse,
    ReadDiscreteInputsResponse,
    WriteMultipleCoilsResponse,
    WriteSingleCoilResponse,
)
from pymodbus.pdu.register_message import (
    ReadHoldingRegistersResponse,
    ReadInputRegistersResponse,
    WriteMultipleRegistersResponse,
    WriteSingleRegisterResponse,
)


class Table(Enum):
    """The four tables of the Modbus data model."""

    COILS = "coils"
    DISCRETE_INPUTS = "discrete_inputs"
    HOLDING_REGISTERS = "holding_registers"
    INPUT_REGISTERS = "input_registers"


class RefusalError(Exception):
    """A request that is answered with an exception; `code` is the exception code."""

    code = 0x04


class IllegalFunctionError(RefusalError):
    """Exception 01."""

    code = 0x01


class IllegalAddressError(RefusalError):
    """Exception 02: an image raises it for any address it does not have."""

    code = 0x02


class IllegalValueError(RefusalError):
    """Exception 03: an image raises it for a value it cannot take."""

    code = 0x03


class DeviceFailureError(RefusalError):
    """Exception 04: an image raises it when it cannot do what was requested."""

    code = 0x04


class DeviceImage(Protocol):
    """What a unit shows on the wire. Every method may raise a `RefusalError`.

    Addresses are as in the PDU, from 0. A write is all or nothing: an image checks every address
    and value before it acts on any.
    """

    def read_bits(self, table: Table, address: int, count: int) -> Sequence[bool]:
        """`count` bits from `address` on."""

    def read_words(self, table: Table, address: int, count: int) -> Sequence[int]:
        """`count` registers (0 to 65535) from `address` on."""

    def write_bits(self, address: int, values: Sequence[bool]) -> None:
        """Write coils from `address` on, all in the same instant."""

    def write_words(self, address: int, values: Sequence[int]) -> None:
        """Write holding registers from `address` on."""


class Function(Enum):
    """The function codes served."""

    READ_COILS = 0x01
    READ_DISCRETE_INPUTS = 0x02
    READ_HOLDING_REGISTERS = 0x03
    READ_INPUT_REGISTERS = 0x04
    WRITE_SINGLE_COIL = 0x05
    WRITE_SINGLE_REGISTER = 0x06
    WRITE_MULTIPLE_COILS = 0x0F
    WRITE_MULTIPLE_REGISTERS = 0x10


_READ_LIMIT = {0x01: 2000, 0x02: 2000, 0x03: 125, 0x04: 125}
_WRITE_LIMIT = {0x0F: 1968, 0x10: 123}
_COIL_VALUES = (0x0000, 0xFF00)
_DECODER = DecodePDU(is_server=True)


def respond(pdu: bytes, image: DeviceImage) -> bytes:
    """The reply PDU to a request PDU; a refusal becomes an exception reply."""
    try:
        _check_form(pdu)
        request = _DECODER.decode(pdu)
        if request is None:
            raise IllegalValueError
        reply = _process(Function(pdu[0]), request, image)
    except RefusalError as refusal:
        return exception_pdu(pdu[0], refusal.code)
    return bytes([reply.function_code]) + reply.encode()


def exception_pdu(function_code: int, exception_code: int) -> bytes:
    """The PDU that answers `function_code` with an exception."""
    return bytes([function_code | 0x80, exception_code])


def is_write(pdu: bytes) -> bool:
    """Whether this request changes anything; a broadcast may only do that."""
    return pdu[0] in (0x05, 0x06, *_WRITE_LIMIT)


def _check_form(pdu: bytes) -> None:
    """Function code and quantity, value or byte count; an address past 65535 comes after."""
    code = pdu[0]
    if code not in {function.value for function in Function}:
        raise IllegalFunctionError
    if len(pdu) < 5:
        raise IllegalValueError
    address, quantity = struct.unpack(">HH", pdu[1:5])
    if code in _WRITE_LIMIT:
        if not 1 <= quantity <= _WRITE_LIMIT[code]:
            raise IllegalValueError
        expected = (quantity + 7) // 8 if code == 0x0F else quantity * 2
        if len(pdu) != 6 + expected or pdu[5] != expected:
            raise IllegalValueError
    elif len(pdu) != 5:
        raise IllegalValueError
    elif code in _READ_LIMIT:
        if not 1 <= quantity <= _READ_LIMIT[code]:
            raise IllegalValueError
    elif code == 0x05 and quantity not in _COIL_VALUES:
        raise IllegalValueError
    if code not in (0x05, 0x06) and address + quantity > 0x10000:
        raise IllegalAddressError


def _process(function: Function, request: ModbusPDU, image: DeviceImage) -> ModbusPDU:
    address, count = request.address, request.count
    match function:
        case Function.READ_COILS:
            return ReadCoilsResponse(bits=image.read_bits(Table.COILS, address, count))
        case Function.READ_DISCRETE_INPUTS:
            bits = image.read_bits(Table.DISCRETE_INPUTS, address, count)
            return ReadDiscreteInputsResponse(bits=bits)
        case Function.READ_HOLDING_REGISTERS:
            words = image.read_words(Table.HOLDING_REGISTERS, address, count)
            return ReadHoldingRegistersResponse(registers=words)
        case Function.READ_INPUT_REGISTERS:
            words = image.read_words(Table.INPUT_REGISTERS, address, count)
            return ReadInputRegistersResponse(registers=words)
        case Function.WRITE_SINGLE_COIL:
            image.write_bits(address, request.bits)
            return WriteSingleCoilResponse(address=address, bits=request.bits)
        case Function.WRITE_SINGLE_REGISTER:
            image.write_words(address, request.registers)
            return WriteSingleRegisterResponse(address=address, registers=request.registers)
        case Function.WRITE_MULTIPLE_COILS:
            image.write_bits(address, request.bits)
            return WriteMultipleCoilsResponse(address=address, count=count)
        case Function.WRITE_MULTIPLE_REGISTERS:
            image.write_words(address, request.registers)
            return WriteMultipleRegistersResponse(address=address, count=count)
