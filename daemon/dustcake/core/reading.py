"""From raw signal to a sample whose quality is known.

Quality follows NAMUR NE 107; the limits of a loop current follow NAMUR NE 43 (secondary sources):
3.8 to 20.5 mA is measurement, at or below 3.6 and at or above 21 mA is failure, and what lies
between is neither, so it is shown but not used.
"""

from enum import StrEnum
from math import isfinite
from struct import pack, unpack

from dustcake.core.inputs import Measured, ReadFailure, Registers, Signal, Stamp
from dustcake.core.reasons import Because, Reason, because
from dustcake.core.record import record
from dustcake.core.setpoints import Scale, SignalKind, WordOrder

FAILURE_LOW_MA, VALID_LOW_MA, VALID_HIGH_MA, FAILURE_HIGH_MA = 3.6, 3.8, 20.5, 21.0

# How far beyond its span any transmitter is believed: what 3.8 and 20.5 mA are to a loop current.
UNDER_SPAN, OVER_SPAN = (VALID_LOW_MA - 4) / 16, (VALID_HIGH_MA - 4) / 16 - 1

# How to bring two words to the bytes A B C D: byte order within each word, words swapped or not.
_TO_ABCD = {
    WordOrder.ABCD: (">HH", False),
    WordOrder.CDAB: (">HH", True),
    WordOrder.BADC: ("<HH", False),
    WordOrder.DCBA: ("<HH", True),
}


class Quality(StrEnum):
    """NAMUR NE 107 status of a sample."""

    GOOD = "good"
    MAINTENANCE_REQUIRED = "maintenance_required"
    OUT_OF_SPECIFICATION = "out_of_specification"
    FUNCTION_CHECK = "function_check"
    FAILURE = "failure"


@record
class Sample:
    """One reading: ``pa`` None where there is no number at all; ``reasons`` for its quality."""

    at: Stamp
    pa: float | None
    quality: Quality
    reasons: tuple[Reason, ...] = ()

    @property
    def usable_pa(self) -> float | None:
        """The value, where decisions may rest on it; None otherwise."""
        if self.quality is Quality.GOOD or self.quality is Quality.MAINTENANCE_REQUIRED:
            return self.pa
        return None


Interpreted = tuple[float | None, Quality, tuple[Reason, ...]]


def interpret(signal: Signal, scale: Scale, zero_offset_pa: float) -> Interpreted:
    """Pressure in Pa with its quality and the reasons for it.

    ``zero_offset_pa`` is what the transmitter reads at zero pressure.
    """
    if type(signal) is Measured:
        pa = signal.pa
        if not isfinite(pa):
            return None, Quality.FAILURE, (because(Because.NOT_A_NUMBER),)
    elif type(signal) is Registers:
        decoded = _decode(signal.words, scale)
        if isinstance(decoded, Reason):
            return None, Quality.FAILURE, (decoded,)
        pa = scale.offset_pa + scale.gain_pa * decoded
        if scale.kind is SignalKind.CURRENT:
            return _by_current(decoded, pa - zero_offset_pa)
    else:
        assert isinstance(signal, ReadFailure)
        reason = because(Because.READ_FAILED, f"{signal.kind.value}: {signal.detail}")
        return None, Quality.FAILURE, (reason,)
    span_pa = scale.span_high_pa - scale.span_low_pa
    if not (
        scale.span_low_pa + UNDER_SPAN * span_pa <= pa <= scale.span_high_pa + OVER_SPAN * span_pa
    ):
        reason = because(
            Because.BEYOND_SPAN,
            dp_pa=pa,
            span_low_pa=scale.span_low_pa,
            span_high_pa=scale.span_high_pa,
        )
        return pa - zero_offset_pa, Quality.OUT_OF_SPECIFICATION, (reason,)
    return pa - zero_offset_pa, Quality.GOOD, ()


def _decode(words: tuple[int, ...], scale: Scale) -> float | Reason:
    """The number the scale applies to, or why there is none."""
    wanted = 2 if scale.kind is SignalKind.FLOAT32 else 1
    if len(words) != wanted:
        return because(Because.WRONG_WORD_COUNT, words=len(words), wanted=wanted)
    if scale.kind is SignalKind.SCALED_INTEGER:
        return words[0] - 65536 if words[0] >= 32768 else words[0]
    if scale.kind is SignalKind.CURRENT:
        return words[0] * scale.ma_per_count
    packing, swapped = _TO_ABCD[scale.word_order]
    number: float = unpack(">f", pack(packing, *(words[::-1] if swapped else words)))[0]
    return number if isfinite(number) else because(Because.NOT_A_NUMBER)


def _by_current(current_ma: float, pa: float) -> Interpreted:
    """What NE 43 makes of a loop current that stands for ``pa``."""
    if VALID_LOW_MA <= current_ma <= VALID_HIGH_MA:
        return pa, Quality.GOOD, ()
    if current_ma <= FAILURE_LOW_MA or current_ma >= FAILURE_HIGH_MA:
        reason = because(Because.CURRENT_FAILURE, current_ma=current_ma)
        return None, Quality.FAILURE, (reason,)
    reason = because(Because.CURRENT_UNCERTAIN, current_ma=current_ma)
    return pa, Quality.OUT_OF_SPECIFICATION, (reason,)
