"""How a measured value looks in 16-bit registers.

Modbus itself knows no 32-bit type and no scaling; the four word orders here are the ones met in
practice. `A` is the most significant byte: 123.456 (42 F6 E9 79) is 42F6 E979 as ABCD.
"""

from __future__ import annotations

import math
import struct
from enum import Enum

SATURATION_MA = (3.8, 20.5)
"""NAMUR NE 43: a healthy loop's current stays in here (secondary source)."""
FAILURE_MA = 21.6
"""Loop current of a transmitter that knows it has failed: at or above NE 43's 21 mA."""
INT16_INVALID = -0x8000
"""Scaled integer of a value that is not a number."""


class WordOrder(Enum):
    """Order of a float's four bytes over two registers."""

    ABCD = "ABCD"
    CDAB = "CDAB"
    BADC = "BADC"
    DCBA = "DCBA"


def float_words(value: float, order: WordOrder) -> tuple[int, int]:
    """Two registers holding `value` as IEEE 754 single precision."""
    try:
        raw = struct.pack(">f", value)
    except OverflowError:
        raw = struct.pack(">f", math.copysign(math.inf, value))
    a, b, c, d = raw
    orders = {
        WordOrder.ABCD: (a, b, c, d),
        WordOrder.CDAB: (c, d, a, b),
        WordOrder.BADC: (b, a, d, c),
        WordOrder.DCBA: (d, c, b, a),
    }
    high, low = struct.unpack(">HH", bytes(orders[order]))
    return high, low


def scaled_int16(value: float, unit: float) -> int:
    """One register: `value` in steps of `unit`, two's complement, clamped to the range."""
    if math.isnan(value):
        return INT16_INVALID & 0xFFFF
    steps = min(max(value / unit, -32767.0), 32767.0)
    return round(steps) & 0xFFFF


def current_ua(
    value: float, span_low: float, span_high: float, forced_current_ma: float | None = None
) -> int:
    """One register: loop current in uA, 4000 at `span_low` and 20000 at `span_high`.

    A healthy loop saturates as NE 43 says; `forced_current_ma` is a broken one's current.
    """
    if forced_current_ma is not None:
        current_ma = forced_current_ma
    elif math.isnan(value):
        current_ma = FAILURE_MA
    else:
        low_ma, high_ma = SATURATION_MA
        share = (value - span_low) / (span_high - span_low)
        current_ma = min(max(4.0 + 16.0 * share, low_ma), high_ma)
    return min(max(round(current_ma * 1000.0), 0), 0xFFFF)
