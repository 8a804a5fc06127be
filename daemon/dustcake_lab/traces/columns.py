"""What a trace may hold: its columns, what is wrong with a row, and what it says was done."""

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass, field

from dustcake.core.inputs import PollCompleted
from dustcake.core.record import record
from dustcake.core.signals import CONTACT_NAMES
from dustcake.units import PressureUnit
from dustcake_lab.traces.cells import shown

DP_COLUMNS = {
    "dp_pa": PressureUnit.PA,
    "dp_inh2o": PressureUnit.INH2O,
    "dp_mbar": PressureUnit.MBAR,
    "dp_mmh2o": PressureUnit.MMH2O,
}
CONTACT_COLUMNS = CONTACT_NAMES
NUMBER_COLUMNS = ("header_pa", "flow_m3s")
PULSE_COLUMNS = ("pulse_valve", "pulses")
EVENT_COLUMNS = (*PULSE_COLUMNS, "cleaning")
"""What was done since the row before: the last valve pulsed (1-based; 0 or empty: none), how many
pulses, and whether a cleaning run is under way (1 or 0)."""
KNOWN_COLUMNS = ("time", *DP_COLUMNS, *CONTACT_COLUMNS, *NUMBER_COLUMNS, *EVENT_COLUMNS)


class TraceError(Exception):
    """The trace as a whole cannot be used. The text says where, what, and the remedy."""


@record
class BadRow:
    """A row that cannot be used. ``poll``: the lost sample it counts as where its time is good,
    None where there is no telling when it was. ``called``: what ``line`` counts, lines or rows."""

    line: int
    column: str
    value: str
    problem: str
    poll: PollCompleted | None = None
    called: str = "line"

    def __str__(self) -> str:
        return f"{self.called} {self.line}: {self.column}: {self.value}: {self.problem}"


_SAME_ROW_S = 0.5


@record
class RecordedPulse:
    """``count`` pulses between ``after_s`` and ``by_s``; ``valve`` 1-based, None if not told."""

    after_s: float
    by_s: float
    valve: int | None
    count: int = 1


@dataclass(slots=True)
class Recorded:
    """What a trace says was done while it was recorded, as far as it has been read. ``cleaning``:
    each change of it, with its time. ``told``: whether it has columns for pulses at all."""

    told: bool = False
    pulses: list[RecordedPulse] = field(default_factory=list)
    cleaning: list[tuple[float, bool]] = field(default_factory=list)

    def had_pulse(self, at_s: float) -> bool:
        """Whether there was a pulse just after the row at ``at_s``."""
        row = bisect_left(self.pulses, at_s - _SAME_ROW_S, key=lambda pulse: pulse.after_s)
        return row < len(self.pulses) and self.pulses[row].after_s <= at_s + _SAME_ROW_S

    def pulsed(self, after_s: float, by_s: float, valve: int, count: int) -> None:
        """Take in what a row says of pulses; 0 for what it does not say."""
        if valve or count:
            self.pulses.append(RecordedPulse(after_s, by_s, valve or None, max(count, 1)))

    def cleans(self, t_s: float, under_way: bool) -> None:
        """Take in what a row says of cleaning."""
        if not self.cleaning or self.cleaning[-1][1] is not under_way:
            self.cleaning.append((t_s, under_way))


def columns_of(header: Sequence[str] | None, where: str = "line 1: ") -> tuple[str, ...]:
    """The names of the columns. Raises TraceError where they make no trace."""
    if header is None:
        raise TraceError("the file is empty; it needs a header line and rows")
    columns = tuple(name.strip() for name in header)
    known = f"known columns: {', '.join(KNOWN_COLUMNS)}"
    if not set(columns) & set(KNOWN_COLUMNS):
        found = shown(",".join(header))
        raise TraceError(
            f"{where}{found} is no header of a trace; cells are separated by commas; {known}"
        )
    unknown = [shown(name) for name in columns if name not in KNOWN_COLUMNS]
    if unknown:
        what, them = ("column", "it") if len(unknown) == 1 else ("columns", "them")
        raise TraceError(
            f"{where}unknown {what} {', '.join(unknown)}; rename or remove {them}; {known}"
        )
    for name in columns:
        if columns.count(name) > 1:
            raise TraceError(f"{where}column `{name}` twice; remove one")
    if "time" not in columns:
        raise TraceError(f"{where}no column `time`; add ISO 8601 times with zone, or seconds")
    dp = [name for name in columns if name in DP_COLUMNS]
    if len(dp) != 1:
        found = "no dP column" if not dp else f"more than one dP column ({', '.join(dp)})"
        raise TraceError(f"{where}{found}; keep exactly one of {', '.join(DP_COLUMNS)}")
    return columns


def unusable(rows: int) -> str:
    """So many rows of a trace, in words."""
    return f"{rows} row{'' if rows == 1 else 's'} cannot be used"
