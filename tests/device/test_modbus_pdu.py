"""Replies to request PDUs: the specification's samples, and the order of its checks."""

from __future__ import annotations

import struct
from collections.abc import Sequence

import pytest

from device.samples import PDU_SAMPLES, sample_image
from dustcake_sim.modbus_pdu import DeviceFailureError, IllegalValueError, Table, respond
from system_support.memory_image import MemoryImage


@pytest.mark.parametrize(("request_hex", "reply_hex"), PDU_SAMPLES)
def test_specification_samples(request_hex: str, reply_hex: str) -> None:
    assert respond(bytes.fromhex(request_hex), sample_image()) == bytes.fromhex(reply_hex)


def test_sample_writes_arrive_once() -> None:
    image = sample_image()
    for request_hex, _ in PDU_SAMPLES:
        respond(bytes.fromhex(request_hex), image)
    assert image.writes == [
        (Table.COILS, 172, [1]),
        (Table.HOLDING_REGISTERS, 1, [3]),
        (Table.COILS, 19, [1, 0, 1, 1, 0, 0, 1, 1, 1, 0]),
        (Table.HOLDING_REGISTERS, 1, [10, 258]),
    ]


@pytest.mark.parametrize("code", [0x00, 0x07, 0x08, 0x11, 0x16, 0x17, 0x2B, 0x64, 0x7F])
def test_unknown_functions_come_first(code: int) -> None:
    assert respond(bytes([code]), sample_image()) == bytes([code | 0x80, 1])
    assert respond(bytes([code, 0, 0, 0, 0]), sample_image()) == bytes([code | 0x80, 1])


@pytest.mark.parametrize(
    ("code", "most"), [(1, 2000), (2, 2000), (3, 125), (4, 125)], ids=["01", "02", "03", "04"]
)
def test_read_quantity_comes_before_address(code: int, most: int) -> None:
    everything = dict.fromkeys(range(2001), False)
    image = MemoryImage(
        coils=everything,
        discrete_inputs=everything,
        holding_registers=dict.fromkeys(range(126), 7),
        input_registers=dict.fromkeys(range(126), 7),
    )
    absent = 60_000
    for quantity in (0, most + 1, 0xFFFF):
        request = struct.pack(">BHH", code, absent, quantity)
        assert respond(request, image) == bytes([code | 0x80, 3])
    assert respond(struct.pack(">BHH", code, absent, most), image) == bytes([code | 0x80, 2])
    assert respond(struct.pack(">BHH", code, 0, most), image)[0] == code
    assert respond(struct.pack(">BHH", code, 65_535, 2), image) == bytes([code | 0x80, 2])


@pytest.mark.parametrize(
    "request_hex",
    [
        "05 EA 60 00 01",
        "05 EA 60 FF FF",
        "0F EA 60 00 00 00",
        "0F EA 60 07 B1 F7" + "00" * 247,
        "0F EA 60 00 0A 01 CD",
        "0F EA 60 00 0A 02 CD",
        "10 EA 60 00 00 00",
        "10 EA 60 00 7C F8" + "00" * 248,
        "10 EA 60 00 02 03 00 0A 01",
        "10 EA 60 00 02 04 00 0A 01",
        "03 EA 60 00",
        "03",
        "03 EA 60 00 01 00",
        "06 EA 60 00",
    ],
)
def test_bad_values_come_before_address_and_change_nothing(request_hex: str) -> None:
    image = sample_image()
    request = bytes.fromhex(request_hex)
    assert respond(request, image) == bytes([request[0] | 0x80, 3])
    assert image.writes == []


@pytest.mark.parametrize(
    "request_hex",
    ["05 EA 60 FF 00", "06 EA 60 00 01", "0F EA 60 00 01 01 01", "10 EA 60 00 01 02 00 01",
     "10 00 02 00 02 04 00 00 00 00", "10 FF FF 00 02 04 00 00 00 00"],
)  # fmt: skip
def test_writes_to_absent_addresses_change_nothing(request_hex: str) -> None:
    image = sample_image()
    request = bytes.fromhex(request_hex)
    assert respond(request, image) == bytes([request[0] | 0x80, 2])
    assert image.writes == []


class Refusing(MemoryImage):
    """A device that has the address but cannot serve it."""

    def read_words(self, table: Table, address: int, count: int) -> Sequence[int]:
        super().read_words(table, address, count)
        raise DeviceFailureError

    def write_words(self, address: int, values: Sequence[int]) -> None:
        raise IllegalValueError


def test_processing_comes_last() -> None:
    image = Refusing(holding_registers={0: 1})
    assert respond(bytes.fromhex("03 00 00 00 00"), image) == bytes.fromhex("83 03")
    assert respond(bytes.fromhex("03 00 01 00 01"), image) == bytes.fromhex("83 02")
    assert respond(bytes.fromhex("03 00 00 00 01"), image) == bytes.fromhex("83 04")
    assert respond(bytes.fromhex("06 00 00 00 01"), image) == bytes.fromhex("86 03")
