"""What a trace may hold: its columns, what single cells say, and what was done meanwhile."""

from bisect import bisect_left
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime

from dustcake.core.inputs import (
    CONTACT_NAMES,
    FailureKind,
    Measured,
    PollCompleted,
    ReadFailure,
    Signal,
)
from dustcake.core.record import record
from dustcake.units import PressureUnit

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
PARQUET_ENDINGS = (".parquet", ".pq")
KNOWN_COLUMNS = ("time", *DP_COLUMNS, *CONTACT_COLUMNS, *NUMBER_COLUMNS, *EVENT_COLUMNS)


class TraceError(Exception):
    """The trace as a whole cannot be used. The text says where, what, and the remedy."""


@record
class BadRow:
    """A row that cannot be used. ``poll``: the lost sample it counts as where its time is good,
    None where its time is not known. ``called``: what ``line`` counts, lines or rows."""

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
    """``count`` pulses between ``after_s`` and ``by_s``; ``valve`` 1-based, None if unknown."""

    after_s: float
    by_s: float
    valve: int | None
    count: int = 1


@dataclass(slots=True)
class Recorded:
    """What a trace says was done while it was recorded, as far as it has been read. ``cleaning``:
    each change of it, with its time. ``has_pulse_columns``: whether it says anything of pulses."""

    has_pulse_columns: bool = False
    pulses: list[RecordedPulse] = field(default_factory=list)
    cleaning: list[tuple[float, bool]] = field(default_factory=list)

    @classmethod
    def of(cls, columns: Sequence[str]) -> "Recorded":
        """What is known of a trace with these columns before any row has been read."""
        return cls(not set(PULSE_COLUMNS).isdisjoint(columns))

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
    for problem in _unusable(columns, ",".join(header)):
        raise TraceError(f"{where}{problem}")
    return columns


def _unusable(columns: tuple[str, ...], header: str) -> Iterator[str]:
    """What is wrong with these columns, and the remedy; the worst first."""
    known = f"known columns: {', '.join(KNOWN_COLUMNS)}"
    unknown = [shown(name) for name in columns if name not in KNOWN_COLUMNS]
    if len(unknown) == len(columns):
        yield f"{shown(header)} is no header of a trace; cells are separated by commas; {known}"
    if unknown:
        what, them = ("column", "it") if len(unknown) == 1 else ("columns", "them")
        yield f"unknown {what} {', '.join(unknown)}; rename or remove {them}; {known}"
    for name, times in Counter(columns).items():
        if times > 1:
            yield f"column `{name}` twice; remove one"
    if "time" not in columns:
        yield "no column `time`; add ISO 8601 times with zone, or seconds"
    dp = [name for name in columns if name in DP_COLUMNS]
    if len(dp) != 1:
        found = f"more than one dP column ({', '.join(dp)})" if dp else "no dP column"
        yield f"{found}; keep exactly one of {', '.join(DP_COLUMNS)}"


LONGEST_GAP_S = 366 * 86_400.0
LARGEST = 1e12  # of any number in a trace: what is beyond is no pressure, flow or time
_EARLIEST, _LATEST = datetime(1970, 1, 1, tzinfo=UTC), datetime(3000, 1, 1, tzinfo=UTC)
# Exports of tables with gaps turn 0 and 1 into 0.0 and 1.0.
_CONTACT = {"0": False, "1": True, "0.0": False, "1.0": True, "": None}
MOST_COUNTED = 10_000
"""Of valves, and of pulses between two rows."""
NO_VALUE = ReadFailure(FailureKind.MISSING, "no value in the trace")


class BadCellError(Exception):
    """What is wrong with a cell: its column, what is written there, the problem with its remedy."""

    def __init__(self, column: str, value: str, problem: str) -> None:
        super().__init__(column, value, problem)
        self.column, self.value, self.problem = column, shown(value), problem


def shown(text: str) -> str:
    """Whatever is written in a file, as one short printable piece."""
    return ascii(text if len(text) <= 40 else f"{text[:40]}...")


class Times:
    """The column `time`: seconds from the first row, and proof that time goes on. ``seconds_0``,
    ``at_0``: time of the first row, by whether times are seconds or of day; else None."""

    def __init__(self, called: str = "line") -> None:
        """``called``: what a row's place is in words."""
        self.called = called
        self.start_utc_s: float | None = None
        self.last_s = -1.0
        self._line = 0
        self.seconds_0: float | None = None
        self.at_0: datetime | None = None

    def read(self, text: str, line: int) -> float:
        """Seconds from the first row. Raises BadCellError."""
        if self.at_0 is not None:
            t_s = (self._instant(text) - self.at_0).total_seconds()
        elif self.seconds_0 is not None:
            t_s = self._seconds(text) - self.seconds_0
        else:
            t_s = self._first(text)
        ahead_s = t_s - self.last_s
        if not 0 < ahead_s <= LONGEST_GAP_S:
            raise self._out_of_order(text, ahead_s)
        self._line, self.last_s = line, t_s
        return t_s

    @property
    def begun(self) -> bool:
        """The first row has been read."""
        return self.seconds_0 is not None or self.at_0 is not None

    def goes_on(self, to_s: float, line: int) -> None:
        """Others have read on, up to ``line`` at ``to_s``."""
        self.last_s, self._line = to_s, line

    def _first(self, text: str) -> float:
        """The first row decides on the form of all."""
        if _is_number(text):
            self.seconds_0 = self._seconds(text)
        else:
            self.at_0 = self._instant(text)
            self.start_utc_s = self.at_0.timestamp()
        return 0.0

    def _seconds(self, text: str) -> float:
        if _is_number(text):
            return number("time", text)
        if _instant(text) is None:
            problem = "not a time: write seconds from the start, as in the rows before"
        else:
            problem = "an ISO 8601 time among seconds: use one form throughout"
        raise BadCellError("time", text, problem)

    def _instant(self, text: str) -> datetime:
        at = _instant(text)
        if at is None and self.at_0 is not None and _is_number(text):
            problem = "seconds among ISO 8601 times: use one form throughout"
        elif at is None:
            problem = (
                "not a time: write ISO 8601 with zone (2026-03-01T08:00:00Z) or seconds from "
                "the start"
            )
        elif at.tzinfo is None:
            problem = "no zone: add Z for UTC, or the offset that held then, such as +01:00"
        elif not _EARLIEST <= at < _LATEST:
            problem = "not between the years 1970 and 2999"
        else:
            return at
        raise BadCellError("time", text, problem)

    def _out_of_order(self, text: str, ahead_s: float) -> BadCellError:
        before = f"{self.called} {self._line}"
        if ahead_s == 0:
            problem = f"the same time as {before}: each row needs its own"
        elif ahead_s < 0:
            problem = f"earlier than {before}: rows must be in the order of time"
        else:
            problem = (
                f"more than {LONGEST_GAP_S / 86_400:.0f} days after {before}: correct the time, or "
                "make two traces of it"
            )
        return BadCellError("time", text, problem)


def _instant(text: str) -> datetime | None:
    try:
        return datetime.fromisoformat(text.strip())
    except ValueError:
        return None


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def number(column: str, text: str) -> float:
    """What a cell with a number says. Raises BadCellError."""
    try:
        value = float(text)
    except ValueError:
        problem = "not a number: write it like 3.9, without unit; leave it empty where it is lost"
        raise BadCellError(column, text, problem) from None
    if not -LARGEST < value < LARGEST or "_" in text:
        if column == "time":
            remedy = "write seconds (milliseconds divided by 1000)"
        else:
            remedy = "leave it empty where it is lost"
        raise BadCellError(column, text, f"not a usable number: {remedy}")
    return value


def signal(column: str, text: str, pa_per: float) -> Signal:
    """What a cell says, in Pa; an empty one is a lost sample. Raises BadCellError."""
    if not text or text.isspace():
        return NO_VALUE
    return Measured(number(column, text) * pa_per)


def contact(column: str, text: str) -> bool | None:
    """What a contact cell says; None where it could not be read. Raises BadCellError."""
    text = text.strip()
    if text in _CONTACT:
        return _CONTACT[text]
    if _is_number(text) and float(text) in (0.0, 1.0):
        return float(text) == 1.0
    problem = "write 1 or 0; leave it empty where it could not be read"
    raise BadCellError(column, text, problem)


def count(column: str, text: str) -> int:
    """What a cell that counts or names a valve says; 0 where it is empty. Raises BadCellError."""
    text = text.strip()
    if not text:
        return 0
    value = float(text) if _is_number(text) else -1.0
    if not 0 <= value <= MOST_COUNTED or value != int(value):
        raise BadCellError(column, text, "write a whole number; leave it empty for none")
    return int(value)
