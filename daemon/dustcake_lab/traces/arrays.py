"""From the cells of a whole frame to columns of samples, under the same rules as for single cells.

All of it is asked of polars at once, which takes no lock of Python's while it is at it.
"""

from collections.abc import Container

import numpy as np
import polars as pl

from dustcake.core.signals import Contacts
from dustcake.units import PA_PER
from dustcake_lab.traces.cells import LARGEST, LONGEST_GAP_S, MOST_COUNTED
from dustcake_lab.traces.columns import (
    CONTACT_COLUMNS,
    DP_COLUMNS,
    EVENT_COLUMNS,
    NUMBER_COLUMNS,
    PULSE_COLUMNS,
    Recorded,
)
from dustcake_lab.traces.sample_columns import Columns, Floats

_ANSWERS = (None, False, True)
"""What a contact says, by the digit it has in a row's kind."""


class ArrayReader:
    """Turns frames of numbers into columns; a null stands for an empty cell, and where
    ``nan_is_lost`` a NaN does too. ``t_s``: seconds from the first row of the trace."""

    def __init__(
        self, columns: tuple[str, ...], unused: Container[str], *, nan_is_lost: bool
    ) -> None:
        dp_name = next(name for name in columns if name in DP_COLUMNS)
        numbers = [dp_name, *(name for name in NUMBER_COLUMNS if name in columns)]
        used = [n for n in CONTACT_COLUMNS if n in columns and n not in unused]
        self._kinds = [
            Contacts(**{name: _ANSWERS[kind // 3**n % 3] for n, name in enumerate(used)})
            for kind in range(3 ** len(used))
        ]
        cells = [name for name in columns if name != "time"]
        good = [_is_readable(name, is_number=name in numbers) for name in cells]
        if not nan_is_lost:
            good += [~pl.col(name).is_nan().any() for name in cells]
        ahead_s = pl.col("t_s").diff()
        self._asked = (
            pl.all_horizontal(*(each.fill_null(True) for each in good)).alias("readable"),
            ahead_s.min().alias("shortest_s"),
            ahead_s.max().alias("longest_s"),
        )
        pa_per = PA_PER[DP_COLUMNS[dp_name]]
        self._made = [pl.col(dp_name) if pa_per == 1.0 else pl.col(dp_name) * pa_per]
        self._made[0] = self._made[0].alias("dp_pa")
        self._others = [
            name for name in ("header_pa", "flow_m3s") if name in columns and name not in unused
        ]
        self._made += [pl.col(name) for name in self._others]
        if used:
            self._made.append(
                pl.sum_horizontal(*(_digit(name) * 3**n for n, name in enumerate(used)))
                .cast(pl.Int16)
                .alias("kind")
            )

    def columns(
        self, frame: pl.DataFrame, start_utc_s: float | None, last_s: float
    ) -> Columns | None:
        """The samples; None where a cell cannot be read, or time does not go on from ``last_s`` and
        from row to row."""
        t_s: Floats = frame["t_s"].to_numpy()
        readable, shortest_s, longest_s = frame.select(self._asked).row(0)
        if not readable or not 0 < t_s[0] - last_s <= LONGEST_GAP_S:
            return None
        if len(t_s) > 1 and not (shortest_s > 0 and longest_s <= LONGEST_GAP_S):
            return None
        made = frame.select(self._made)
        arrays: dict[str, Floats] = {each.name: each.to_numpy() for each in made}
        kind = made["kind"] if "kind" in arrays else None
        return Columns(
            t_s=t_s,
            start_utc_s=start_utc_s,
            dp_pa=arrays["dp_pa"],
            header_pa=arrays.get("header_pa"),
            flow_m3s=arrays.get("flow_m3s"),
            kinds=self._kinds,
            kind=None if kind is None else kind.to_numpy(),
            changes=[] if kind is None else (kind != kind.shift()).arg_true().to_list(),
            longest_s=longest_s or 0.0,
        )


def _is_readable(name: str, *, is_number: bool) -> pl.Expr:
    """Whether every cell says something, or is empty. NaN counts for nothing in the least and the
    greatest of a column, unless there is nothing else in it."""
    cells = pl.col(name)
    if is_number:
        return (cells.min() > -LARGEST) & ((cells.max() < LARGEST) | cells.max().is_nan())
    most = MOST_COUNTED if name in PULSE_COLUMNS else 1
    return ((cells.is_between(0, most) & (cells.floor() == cells)) | cells.is_nan()).all()


def _digit(contact: str) -> pl.Expr:
    return (pl.col(contact).fill_nan(None) + 1).fill_null(0)


def note(recorded: Recorded, t_s: Floats, last_s: float, frame: pl.DataFrame) -> None:
    """Take in what readable cells say was done."""
    told = {name: frame[name].to_numpy() for name in EVENT_COLUMNS if name in frame.columns}
    valves, counts, cleaning = (told.get(name) for name in EVENT_COLUMNS)
    pulsed = [np.flatnonzero(each > 0) for each in (valves, counts) if each is not None]
    for row in np.unique(np.concatenate(pulsed)).tolist() if pulsed else ():
        before_s = float(t_s[row - 1]) if row else max(last_s, 0.0)
        recorded.pulsed(before_s, float(t_s[row]), _told(valves, row), _told(counts, row))
    if cleaning is not None:
        known = np.flatnonzero(~np.isnan(cleaning))
        values = cleaning[known]
        changed = np.ones(len(known), bool)
        changed[1:] = values[1:] != values[:-1]
        for row in known[changed].tolist():
            recorded.cleans(float(t_s[row]), bool(cleaning[row]))


def _told(values: Floats | None, row: int) -> int:
    return 0 if values is None or np.isnan(values[row]) else int(values[row])
