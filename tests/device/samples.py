"""Request and reply samples of the Modbus application protocol, V1.1b3 (secondary source).

Serial frames and their CRCs computed with crcmod 1.7.
"""

from __future__ import annotations

from system_support.memory_image import MemoryImage

PDU_SAMPLES = [
    ("01 00 13 00 13", "01 03 CD 6B 05"),
    ("02 00 C4 00 16", "02 03 AC DB 35"),
    ("03 00 6B 00 03", "03 06 02 2B 00 00 00 64"),
    ("04 00 08 00 01", "04 02 00 0A"),
    ("05 00 AC FF 00", "05 00 AC FF 00"),
    ("06 00 01 00 03", "06 00 01 00 03"),
    ("0F 00 13 00 0A 02 CD 01", "0F 00 13 00 0A"),
    ("10 00 01 00 02 04 00 0A 01 02", "10 00 01 00 02"),
    ("01 04 A1 00 01", "81 02"),
]
RTU_SAMPLES = [
    ("01 01 00 13 00 13 8C 02", "01 01 03 CD 6B 05 42 82"),
    ("01 02 00 C4 00 16 B8 39", "01 02 03 AC DB 35 22 88"),
    ("01 03 00 6B 00 03 74 17", "01 03 06 02 2B 00 00 00 64 05 7A"),
    ("11 03 00 6B 00 03 76 87", "11 03 06 02 2B 00 00 00 64 C8 BA"),
    ("01 04 00 08 00 01 B0 08", "01 04 02 00 0A 39 37"),
    ("01 05 00 AC FF 00 4C 1B", "01 05 00 AC FF 00 4C 1B"),
    ("01 06 00 01 00 03 98 0B", "01 06 00 01 00 03 98 0B"),
    ("01 0F 00 13 00 0A 02 CD 01 72 CB", "01 0F 00 13 00 0A 24 09"),
    ("01 10 00 01 00 02 04 00 0A 01 02 92 30", "01 10 00 01 00 02 10 08"),
    ("01 01 04 A1 00 01 AD 18", "01 81 02 C1 91"),
]


def bits(first: int, count: int, octets: str) -> dict[int, bool]:
    """Bits from `first` on, packed as on the wire: lowest bit of the first octet first."""
    packed = int.from_bytes(bytes.fromhex(octets), "little")
    return {first + n: bool(packed >> n & 1) for n in range(count)}


def sample_image() -> MemoryImage:
    """A device preset so that it gives the specification's replies."""
    return MemoryImage(
        coils=bits(19, 19, "CD 6B 05") | {172: False},
        discrete_inputs=bits(196, 22, "AC DB 35"),
        holding_registers={1: 0, 2: 0, 107: 555, 108: 0, 109: 100},
        input_registers={8: 10},
    )
