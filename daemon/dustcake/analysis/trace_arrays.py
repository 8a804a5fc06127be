"""From cells as whole arrays to columns of samples, under the same rules as for single cells."""

from collections.abc import Container, Mapping

import numpy as np
import numpy.typing as npt

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
            if name in self._numbers:
                good = np.isnan(values) | (np.abs(values) < LARGEST)
            elif name == "time":
                continue
            elif name in ("pulse_valve", "pulses"):
                whole = (values >= 0) & (values <= MOST_COUNTED) & (np.floor(values) == values)
                good = np.isnan(values) | whole
            else:
                good = np.isnan(values) | (values == 0.0) | (values == 1.0)
            if not good.all():
                return False
        return True

    def columns(
        self, t_s: Floats, start_utc_s: float | None, cells: Mapping[str, Floats]
    ) -> Columns:
        """The samples; `cells` are to be readable."""
        kind = None
        if self._weights:
            kind = np.zeros(len(t_s), np.intp)
            for name, weight in self._weights.items():
                values = cells[name]
                kind += weight * np.where(np.isnan(values), 0, values + 1).astype(np.intp)
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


def goes_on(t_s: Floats, last_s: float) -> bool:
    """Whether time goes on, from ``last_s`` and from row to row."""
    first_s = t_s[0] - last_s
    if not 0 < first_s <= LONGEST_GAP_S:
        return False
    ahead_s = t_s[1:] - t_s[:-1]
    return bool(((ahead_s > 0) & (ahead_s <= LONGEST_GAP_S)).all())


def note(recorded: Recorded, t_s: Floats, last_s: float, cells: Mapping[str, Floats]) -> None:
    """Take in what readable cells say was done."""
    none = np.zeros(len(t_s))
    valves = np.nan_to_num(cells.get("pulse_valve", none), nan=0.0)
    counts = np.nan_to_num(cells.get("pulses", none), nan=0.0)
    for row in _places(valves + counts > 0):
        before_s = float(t_s[row - 1]) if row else max(last_s, 0.0)
        recorded.pulsed(before_s, float(t_s[row]), int(valves[row]), int(counts[row]))
    cleaning = cells.get("cleaning")
    if cleaning is not None:
        known = np.flatnonzero(~np.isnan(cleaning))
        values = cleaning[known]
        changed = np.ones(len(known), bool)
        changed[1:] = values[1:] != values[:-1]
        for row in known[changed].tolist():
            recorded.cleans(float(t_s[row]), bool(cleaning[row]))


def _places(where: npt.NDArray[np.bool_]) -> list[int]:
    found: list[int] = np.flatnonzero(where).tolist()
    return found
