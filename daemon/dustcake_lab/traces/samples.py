"""Many samples of a trace side by side, and how far a promise of quiet reaches over them."""

from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import TypeAlias, cast

import numpy as np
import numpy.typing as npt

from dustcake.core.inputs import Contacts, Measured, PollCompleted, Signal, Stamp
from dustcake.core.setpoints import ValidationSetting
from dustcake.core.signal_validation.checks import FROZEN_CHECKS, frozen_checked
from dustcake.core.signal_validation.state import FrozenCheck
from dustcake_lab.traces.columns import NO_VALUE, BadRow
from dustcake_lab.traces.leap import Leap

Floats = npt.NDArray[np.float64]

_ONE_BY_ONE, _FIRST_BLOCK, _LARGEST_BLOCK = 20, 1024, 65_536
_IN_TIME = 1.0 - 1e-9
"""Of a delay: no rounding makes what is shorter than this as long as the delay."""


@dataclass(slots=True)
class Columns:
    """Samples in the order of time, one in each place of every array.

    ``t_s``: seconds from the first row of the trace. ``dp_pa``, ``header_pa``, ``flow_m3s``: NaN
    where lost; the last two None where the trace has no such column. ``contacts`` of a row is
    ``kinds[kind[row]]``; ``kind`` is None where they are the same throughout.
    """

    t_s: Floats
    start_utc_s: float | None
    dp_pa: Floats
    header_pa: Floats | None = None
    flow_m3s: Floats | None = None
    kinds: Sequence[Contacts] = (Contacts(),)
    kind: npt.NDArray[np.int16] | npt.NDArray[np.intp] | None = None
    _breaks: dict[float, list[int]] = field(default_factory=dict, init=False, repr=False)
    # The same numbers once more, since one at a time they are read faster so.
    _t_s: Sequence[float] = field(init=False, repr=False)
    _dp_pa: Sequence[float] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        self._t_s = cast("Sequence[float]", self.t_s.data)
        self._dp_pa = cast("Sequence[float]", self.dp_pa.data)

    def __len__(self) -> int:
        return len(self.t_s)

    def poll(self, row: int) -> PollCompleted:
        """The poll that a row stands for."""
        t_s = self._t_s[row]
        at = Stamp(t_s, None if self.start_utc_s is None else self.start_utc_s + t_s)
        header = None if self.header_pa is None else _signal(float(self.header_pa[row]))
        return PollCompleted(at, _signal(self._dp_pa[row]), self.contacts(row), header)

    def contacts(self, row: int) -> Contacts:
        """The contacts at a row; the very same object while they do not change."""
        return self.kinds[0 if self.kind is None else int(self.kind[row])]

    def first_not_covered(self, row: int, leap: Leap, before_s: float, stale_s: float) -> int:
        """The first row from ``row`` on that a leap may not go over; the length if it may go over
        all. ``before_s``: time of the row before ``row``."""
        if row >= len(self) or not leap.may_begin(self.contacts(row)):
            return row
        t_s, now_s = self._t_s, self._t_s[row]
        if now_s > before_s + stale_s or now_s >= leap.until_s:
            return row
        breaks = self._breaks_of(stale_s)
        end = min(bisect_left(t_s, leap.until_s, row), breaks[bisect_right(breaks, row)])
        to = self._dp_leaves(row, leap, end)
        if self.header_pa is not None and leap.header:
            low_pa, high_pa = leap.header_low_pa, leap.header_high_pa
            end = _first_outside(self.header_pa, low_pa, high_pa, row, to)
            if end < to:  # dP may not be back yet there
                to = self._dp_leaves(row, leap, end)
        return to

    def _dp_leaves(self, row: int, leap: Leap, end: int) -> int:
        """The first row at which dP is outside, and neither back in time nor before ``end``."""
        back: int | None = row
        while back is not None:
            row = _first_outside(self.dp_pa, leap.low_pa, leap.high_pa, back, end)
            back = self._back_in_time(row, leap, end)
        return row

    def _back_in_time(self, row: int, leap: Leap, end: int) -> int | None:
        """The first row at which dP, which is outside at ``row``, is inside again after what was
        only brief; None where it was not."""
        if row >= end:
            return None
        dp_pa, t_s, low_pa, high_pa = self._dp_pa, self._t_s, leap.low_pa, leap.high_pa
        too_late_s = t_s[row] + leap.brief_s * _IN_TIME
        while row < end and high_pa <= dp_pa[row] < leap.brief_pa and t_s[row] < too_late_s:
            row += 1
        if row < end and low_pa < dp_pa[row] < high_pa and t_s[row] < too_late_s:
            return row
        return None

    def frozen_checks(
        self, row: int, to: int, check: FrozenCheck, settings: ValidationSetting
    ) -> tuple[int, FrozenCheck]:
        """What the core's checks whether the reading moves come to while rows from ``row`` up to
        ``to`` are leapt over; and a row before ``to``, where one of them is for the core itself."""
        t_s = self._t_s
        while row < to and t_s[to - 1] >= check.next_s:
            row = bisect_left(t_s, check.next_s, row, to)
            after = frozen_checked(settings, check, self._dp_pa[row], t_s[row])
            if after.same >= FROZEN_CHECKS:
                return row, check
            check = after
        return to, check

    def _breaks_of(self, stale_s: float) -> list[int]:
        """Rows that come too late after the one before, or with other contacts; and the end."""
        if stale_s not in self._breaks:
            breaks = self.t_s[1:] > self.t_s[:-1] + stale_s
            if self.kind is not None:
                breaks |= self.kind[1:] != self.kind[:-1]
            self._breaks[stale_s] = [*(np.flatnonzero(breaks) + 1).tolist(), len(self)]
        return self._breaks[stale_s]


SampleStream: TypeAlias = Iterator[Columns | PollCompleted | BadRow]
"""A trace as it is read: samples in columns or one by one, and rows that cannot be used."""
UsableStream: TypeAlias = Iterator[Columns | PollCompleted]


def _signal(pa: float) -> Signal:
    return Measured(pa) if pa == pa else NO_VALUE


def _first_outside(values: Floats, low: float, high: float, begin: int, end: int) -> int:
    """The first place from ``begin`` on whose value is not strictly inside; ``end`` if none is.

    The first few one by one and then in blocks that grow, so that a near end costs little and a far
    one is found at full speed.
    """
    near = min(begin + _ONE_BY_ONE, end)
    for value in values[begin:near].tolist():
        if not low < value < high:
            return begin
        begin += 1
    size = _FIRST_BLOCK
    while begin < end:
        block = values[begin : min(begin + size, end)]
        inside = (block > low) & (block < high)
        first = int(inside.argmin())
        if not inside[first]:
            return begin + first
        begin += len(block)
        size = min(8 * size, _LARGEST_BLOCK)
    return end
