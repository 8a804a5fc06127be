"""Recorded dP as CSV, read row by row as the polls it stands for.

Nothing is dropped silently: a row that cannot be used comes back as a ``BadRow`` that names its
line. Memory does not grow with the file.
"""

import csv
from collections.abc import Callable, Container, Iterable, Iterator
from contextlib import contextmanager
from functools import partial
from io import TextIOWrapper
from operator import itemgetter
from pathlib import Path

from dustcake.analysis.trace_cells import BadCellError, Times, contact, shown, signal
from dustcake.core.inputs import PollCompleted
from dustcake.core.record import record
from dustcake.core.signals import Contacts, FailureKind, ReadFailure, Signal
from dustcake.core.stamp import Stamp
from dustcake.units import PA_PER, PressureUnit

DP_COLUMNS = {
    "dp_pa": PressureUnit.PA,
    "dp_inh2o": PressureUnit.INH2O,
    "dp_mbar": PressureUnit.MBAR,
    "dp_mmh2o": PressureUnit.MMH2O,
}
CONTACT_COLUMNS = ("blower_running", "smoke")
NUMBER_COLUMNS = ("header_pa", "flow_m3s")
KNOWN_COLUMNS = ("time", *DP_COLUMNS, *CONTACT_COLUMNS, *NUMBER_COLUMNS)

_LONGEST_LINE = 65_536


class TraceError(Exception):
    """The trace as a whole cannot be used. The text says where, what, and the remedy."""


@record
class BadRow:
    """A row that cannot be used. ``poll``: the lost sample it counts as where its time is good,
    None where there is no telling when it was."""

    line: int
    column: str
    value: str
    problem: str
    poll: PollCompleted | None = None

    def __str__(self) -> str:
        return f"line {self.line}: {self.column}: {self.value}: {self.problem}"


@contextmanager
def open_trace(path: Path) -> Iterator["Trace"]:
    """The trace in the file at ``path``. Raises TraceError, also while it is read."""
    try:
        raw = path.open("rb")
    except (OSError, ValueError) as error:
        raise TraceError(f"{_why(error)}; name a CSV file this user may read") from None
    # What is not UTF-8 is carried along, so that it is complained about where it stands.
    with raw, TextIOWrapper(raw, "utf-8-sig", errors="surrogateescape", newline="") as text:
        yield Trace(_lines(text), raw.tell)


def _lines(text: TextIOWrapper) -> Iterator[str]:
    try:
        for number, line in enumerate(iter(partial(text.readline, _LONGEST_LINE), ""), start=1):
            if len(line) >= _LONGEST_LINE:
                raise TraceError(f"line {number} has no end: this is not a CSV file")
            yield line
    except OSError as error:
        raise TraceError(f"{_why(error)} while it was read; copy it elsewhere first") from None


def _why(error: OSError | ValueError) -> str:
    return (error.strerror if isinstance(error, OSError) else None) or "not a usable path"


class _RowReader:
    """Turns the cells of one row into a poll."""

    def __init__(self, columns: tuple[str, ...], unused: Container[str]) -> None:
        place = {name: i for i, name in enumerate(columns)}
        self._width = len(columns)
        self._unused = unused
        self._times = Times()
        self._time = place["time"]
        self._dp_name = next(name for name in columns if name in DP_COLUMNS)
        self._dp = place[self._dp_name]
        self._pa_per = PA_PER[DP_COLUMNS[self._dp_name]]
        self._header, self._flow = (place.get(name) for name in NUMBER_COLUMNS)
        self._header_used = self._header is not None and "header_pa" not in unused
        self._contact_places = [(name, place[name]) for name in CONTACT_COLUMNS if name in place]
        self._pick = (
            itemgetter(*(i for _, i in self._contact_places)) if self._contact_places else None
        )
        self._contact_texts: object = None
        self._contacts = Contacts()

    def read(self, cells: list[str], line: int) -> PollCompleted | BadRow:
        """The poll that the row at ``line`` stands for."""
        if len(cells) != self._width:
            problem = (
                f"the header has {self._width}; a comma separates cells, and the decimal sign is "
                "a point"
            )
            return BadRow(line, "row", f"{len(cells)} cells", problem)
        try:
            t_s = self._times.read(cells[self._time], line)
        except BadCellError as bad:
            return BadRow(line, bad.column, bad.value, bad.problem)
        start_s = self._times.start_utc_s
        at = Stamp(t_s, None if start_s is None else start_s + t_s)
        try:
            return self._poll(at, cells)
        except BadCellError as bad:
            lost = ReadFailure(FailureKind.MISSING, f"line {line} of the trace cannot be used")
            header = lost if self._header_used else None
            poll = PollCompleted(at, lost, self._contacts, header)
            return BadRow(line, bad.column, bad.value, bad.problem, poll)

    def _poll(self, at: Stamp, cells: list[str]) -> PollCompleted:
        dp = signal(self._dp_name, cells[self._dp], self._pa_per)
        header: Signal | None = None
        if self._header is not None:
            header = signal("header_pa", cells[self._header], 1.0)
        if self._flow is not None:
            signal("flow_m3s", cells[self._flow], 1.0)  # checked; nothing rests on it yet
        if self._pick is not None:
            texts = self._pick(cells)
            if texts != self._contact_texts:
                self._contacts = self._read_contacts(cells)
                self._contact_texts = texts
        return PollCompleted(at, dp, self._contacts, header if self._header_used else None)

    def _read_contacts(self, cells: list[str]) -> Contacts:
        """The very same object serves until a contact changes: the core need not compare then."""
        read = {name: contact(name, cells[i]) for name, i in self._contact_places}
        return Contacts(**{name: made for name, made in read.items() if name not in self._unused})


class Trace:
    """One trace, read once. ``columns``: those it has. ``bytes_read()``: how far into the file."""

    def __init__(self, lines: Iterable[str], bytes_read: Callable[[], int] = lambda: 0) -> None:
        """Reads the header. Raises TraceError."""
        self.bytes_read = bytes_read
        self._rows = csv.reader(lines)
        try:
            self.columns = _columns(next(self._rows, None))
        except csv.Error as error:
            raise TraceError(f"line 1: not CSV: {error}") from None

    def polls(self, unused: Container[str] = ()) -> Iterator[PollCompleted | BadRow]:
        """Each row as a poll, or as what is wrong with it. The columns ``unused`` are checked,
        and left out of the polls. Raises TraceError."""
        reader, rows = _RowReader(self.columns, unused), self._rows
        done, empty = rows.line_num, 0
        while True:
            try:
                for cells in rows:
                    line, done = done + 1, rows.line_num
                    if not cells:
                        empty = empty or line
                        continue
                    if empty:  # those at the very end mean nothing
                        yield BadRow(empty, "row", "empty", "remove the line")
                        empty = 0
                    yield reader.read(cells, line)
            except csv.Error as error:
                line, done = done + 1, rows.line_num
                problem = f"not CSV ({error}); is a quotation mark not closed?"
                yield BadRow(line, "row", f"up to line {done}", problem)
            else:
                return


def _columns(header: list[str] | None) -> tuple[str, ...]:
    if header is None:
        raise TraceError("the file is empty; it needs a header line and rows")
    columns = tuple(name.strip() for name in header)
    known = f"known columns: {', '.join(KNOWN_COLUMNS)}"
    if not set(columns) & set(KNOWN_COLUMNS):
        found = shown(",".join(header))
        raise TraceError(
            f"line 1: {found} is no header of a trace; cells are separated by commas; {known}"
        )
    for name in columns:
        if name not in KNOWN_COLUMNS:
            raise TraceError(f"line 1: unknown column {shown(name)}; rename or remove it; {known}")
        if columns.count(name) > 1:
            raise TraceError(f"line 1: column `{name}` twice; remove one")
    if "time" not in columns:
        raise TraceError("line 1: no column `time`; add ISO 8601 times with zone, or seconds")
    dp = [name for name in columns if name in DP_COLUMNS]
    if len(dp) != 1:
        found = "no dP column" if not dp else f"more than one dP column ({', '.join(dp)})"
        raise TraceError(f"line 1: {found}; keep exactly one of {', '.join(DP_COLUMNS)}")
    return columns
