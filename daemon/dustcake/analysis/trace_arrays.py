"""From cells as whole arrays to columns of samples, under the same rules as for single cells."""

from collections.abc import Container, Mapping

import numpy as np

from dustcake.analysis.columns import Columns, Floats
from dustcake.analysis.trace_cells import LARGEST, LONGEST_GAP_S, MOST_COUNTED
from dustcake.analysis.trace_columns import CONTACT_COLUMNS, DP_COLUMNS, NUMBER_COLUMNS, Recorded
from dustcake.core.signals import Contacts
from dustcake.units import PA_PER

_ANSWERS = (None, False, True)
"""What a contact says, by the digit it has in a row's kind."""


class ArrayReader:
    """Turns arrays of cells into columns. NaN stands for an empty cell.

    ``readable`` says whether every cell is; where not, single cells are to be looked at.
    """

    def __init__(self, columns: tuple[str, ...], unused: Container[str]) -> None:
        self._dp_name = next(name for name in columns if name in DP_COLUMNS)
        self._pa_per = PA_PER[DP_COLUMNS[self._dp_name]]
        self._header_used = "header_pa" in columns and "header_pa" not in unused
        self._contacts = [name for name in CONTACT_COLUMNS if name in columns]
        self._numbers = [self._dp_name, *(name for name in NUMBER_COLUMNS if name in columns)]
        used = [name for name in self._contacts if name not in unused]
        self._weights = {name: 3**place for place, name in enumerate(used)}
        self._kinds = [
            Contacts(**{name: _ANSWERS[kind // by % 3] for name, by in self._weights.items()})
            for kind in range(3 ** len(used))
        ]

    def readable(self, cells: Mapping[str, Floats]) -> bool:
        """Whether every cell but those of the time says something, or is empty."""
        for name, values in cells.items():
            if name == "time":
                continue
            if name in self._numbers:
                good = _all_between(values, -LARGEST, LARGEST)
            elif name in ("pulse_valve", "pulses"):
                good = _all_whole(values, MOST_COUNTED)
            else:
                good = _all_whole(values, 1)
            if not good:
                return False
        return True

    def columns(
        self, t_s: Floats, start_utc_s: float | None, cells: Mapping[str, Floats]
    ) -> Columns:
        """The samples; `cells` are to be readable."""
        kind = None
        for name, weight in self._weights.items():
            values = cells[name]
            unknown = np.isnan(values)
            digit = np.where(unknown, 0, values + 1) if unknown.any() else values + 1
            here = digit.astype(np.int16)
            here *= weight
            kind = here if kind is None else kind + here
        dp_pa = cells[self._dp_name]
        return Columns(
            t_s=t_s,
            start_utc_s=start_utc_s,
            dp_pa=dp_pa if self._pa_per == 1.0 else dp_pa * self._pa_per,
            header_pa=cells["header_pa"] if self._header_used else None,
            flow_m3s=cells.get("flow_m3s"),
            kinds=self._kinds,
            kind=kind,
        )


def _all_between(values: Floats, low: float, high: float) -> bool:
    """Whether all are strictly between, or NaN."""
    if low < values.min() and values.max() < high:  # never so where one is NaN
        return True
    return bool((np.isnan(values) | ((values > low) & (values < high))).all())


def _all_whole(values: Floats, most: int) -> bool:
    """Whether all are whole numbers from 0 to ``most``, or NaN."""
    known = values[~np.isnan(values)]
    if not len(known):
        return True
    if not (known.min() >= 0 and known.max() <= most):
        return False
    return bool((known.astype(np.int16) == known).all())


def goes_on(t_s: Floats, last_s: float) -> bool:
    """Whether time goes on, from ``last_s`` and from row to row."""
    first_s = t_s[0] - last_s
    if not 0 < first_s <= LONGEST_GAP_S:
        return False
    ahead_s = np.diff(t_s)
    return not len(ahead_s) or bool(ahead_s.min() > 0 and ahead_s.max() <= LONGEST_GAP_S)


def note(recorded: Recorded, t_s: Floats, last_s: float, cells: Mapping[str, Floats]) -> None:
    """Take in what readable cells say was done."""
    valves, counts = cells.get("pulse_valve"), cells.get("pulses")
    pulsed = np.zeros(len(t_s), bool)
    for told in (valves, counts):
        if told is not None:
            pulsed |= told > 0
    for row in np.flatnonzero(pulsed).tolist():
        before_s = float(t_s[row - 1]) if row else max(last_s, 0.0)
        recorded.pulsed(before_s, float(t_s[row]), _told(valves, row), _told(counts, row))
    cleaning = cells.get("cleaning")
    if cleaning is not None:
        known = np.flatnonzero(~np.isnan(cleaning))
        values = cleaning[known]
        changed = np.ones(len(known), bool)
        changed[1:] = values[1:] != values[:-1]
        for row in known[changed].tolist():
            recorded.cleans(float(t_s[row]), bool(cleaning[row]))


def _told(values: Floats | None, row: int) -> int:
    return 0 if values is None or np.isnan(values[row]) else int(values[row])
