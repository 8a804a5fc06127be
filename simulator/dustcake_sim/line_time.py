"""How long bytes take on a serial line, and when it is free for the next frame.

MODBUS over Serial Line V1.02 (secondary source).
"""

from __future__ import annotations

BITS_PER_CHARACTER = 11
"""Start, eight data, parity and stop; without parity a second stop bit takes its place."""
_FAST_BAUD = 19_200


def character_s(baud: int) -> float:
    """Time of one character on the line, s."""
    return BITS_PER_CHARACTER / baud


def frame_gap_s(baud: int) -> float:
    """Silence that ends a frame, s: 3.5 characters, and 1.750 ms above 19 200 bit/s."""
    return 0.001_750 if baud > _FAST_BAUD else 3.5 * character_s(baud)


class LineTime:
    """The line's time for bytes that a pseudo-terminal, say, hands over in none.

    One frame after the other, each followed by its silence. `paced` False is a line that takes
    its time by itself: then nothing is waited for.
    """

    def __init__(self, baud: int, *, paced: bool) -> None:
        self._character_s = character_s(baud) if paced else 0.0
        self._gap_s = frame_gap_s(baud) if paced else 0.0
        self._free_s = 0.0

    def carry(self, size: int, now_s: float) -> float:
        """Put a frame of `size` bytes on the line; when its last byte has passed."""
        over_s = max(now_s, self._free_s) + size * self._character_s
        self._free_s = over_s + self._gap_s
        return over_s

    @property
    def free_s(self) -> float:
        """When the last frame and the silence after it are over."""
        return self._free_s
