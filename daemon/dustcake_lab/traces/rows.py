"""Recorded dP as CSV, read row by row as the polls it stands for.

Nothing is dropped silently: a row that cannot be used comes back as a ``BadRow`` that names its
line. Memory does not grow with the file. ``csv_parquet`` reads the same file a block at a time;
what it cannot vouch for it leaves to the rows here.
"""

import csv
from collections.abc import Callable, Container, Iterable, Iterator
from contextlib import contextmanager
from functools import partial
from io import BufferedIOBase, BufferedReader, TextIOWrapper
from pathlib import Path

from dustcake.core.inputs import Contacts, FailureKind, PollCompleted, ReadFailure, Signal, Stamp
from dustcake_lab.traces.columns import (
    CONTACT_COLUMNS,
    DP_COLUMNS,
    EVENT_COLUMNS,
    PULSE_COLUMNS,
    BadCellError,
    BadRow,
    Recorded,
    Times,
    TraceError,
    columns_of,
    contact,
    count,
    number,
    signal,
)

_LONGEST_LINE = 65_536


@contextmanager
def open_file(path: Path) -> Iterator[BufferedReader]:
    """The bytes at ``path``. Raises TraceError."""
    try:
        raw = path.open("rb")
    except (OSError, ValueError) as error:
        raise TraceError(f"{why(error)}; name a CSV file this user may read") from None
    with raw:
        yield raw


def lines_of(raw: BufferedIOBase, done: int = 0) -> Iterator[str]:
    """Line by line, after ``done`` lines before. Raises TraceError where one has no end, or
    reading fails."""
    # What is not UTF-8 is carried along, so that it is complained about where it stands.
    with TextIOWrapper(raw, "utf-8-sig", errors="surrogateescape", newline="") as text:  # type: ignore[type-var]
        try:
            for n, line in enumerate(iter(partial(text.readline, _LONGEST_LINE), ""), start=1):
                if len(line) >= _LONGEST_LINE:
                    raise TraceError(f"line {done + n} has no end: this is not a CSV file")
                yield line
        except OSError as error:
            raise TraceError(f"{why(error)} while it was read; copy it elsewhere first") from None


def why(error: OSError | ValueError) -> str:
    """What a system error says of itself."""
    return (error.strerror if isinstance(error, OSError) else None) or "not a usable path"


class RowReader:
    """Turns rows into polls, one after the other, from wherever their lines come. ``line``: lines
    read so far; ``empty``: the first of the empty ones just read, 0 where there was none;
    ``flow_m3s``: of the row read last, if any; ``unused``: columns that are checked, and left out
    of the polls."""

    def __init__(
        self,
        columns: tuple[str, ...],
        recorded: Recorded,
        unused: Container[str] = (),
        called: str = "line",
        line: int = 0,
    ) -> None:
        """``recorded``: takes in what rows say was done; ``called``: what the place of a row is
        called, line or row."""
        self._place = place = {name: i for i, name in enumerate(columns)}
        self.times = Times(called)
        self.line, self.empty = line, 0
        self.flow_m3s: float | None = None
        self.unused, self._recorded = unused, recorded
        self._dp_name = next(name for name in columns if name in DP_COLUMNS)
        self._pa_per = DP_COLUMNS[self._dp_name].pa
        self._contact_places = {name: place[name] for name in CONTACT_COLUMNS if name in place}
        self._contact_texts: list[str] = []
        self._contacts = Contacts()

    def read(self, lines: Iterable[str]) -> Iterator[PollCompleted | BadRow]:
        """The rows of these lines. Raises TraceError."""
        rows, begun = csv.reader(lines), self.line
        while True:
            try:
                for cells in rows:
                    line, self.line = self.line + 1, begun + rows.line_num
                    if not cells:
                        self.empty = self.empty or line
                        continue
                    if self.empty:  # those at the very end mean nothing
                        yield BadRow(self.empty, "row", "empty", "remove the line")
                        self.empty = 0
                    yield self._row(cells, line)
            except csv.Error as error:
                line, self.line = self.line + 1, begun + rows.line_num
                problem = f"not CSV ({error}); is a quotation mark not closed?"
                yield BadRow(line, "row", f"up to line {self.line}", problem)
            else:
                return

    def goes_on(self, to_s: float, rows: int, contacts: Contacts) -> None:
        """Others have read so many rows on, up to that time; this is how contacts stand there."""
        self.line += rows
        self.times.goes_on(to_s, self.line)
        self._contacts, self._contact_texts = contacts, []

    def _row(self, cells: list[str], line: int) -> PollCompleted | BadRow:
        at, called = None, self.times.called
        if len(cells) != len(self._place):
            problem = (
                f"the header has {len(self._place)}; a comma separates cells, and the decimal sign "
                "is a point"
            )
            return BadRow(line, "row", f"{len(cells)} cells", problem, called=called)
        before_s = max(self.times.last_s, 0.0)
        try:
            t_s = self.times.read(cells[self._place["time"]], line)
            start_s = self.times.start_utc_s
            at = Stamp(t_s, None if start_s is None else start_s + t_s)
            poll = self._poll(at, cells)
            self._note(before_s, t_s, cells)
        except BadCellError as bad:
            counts_as = None if at is None else self._lost(at, line)
            return BadRow(line, bad.column, bad.value, bad.problem, counts_as, called)
        return poll

    def _lost(self, at: Stamp, line: int) -> PollCompleted:
        why = ReadFailure(
            FailureKind.MISSING, f"{self.times.called} {line} of the trace cannot be used"
        )
        header = why if "header_pa" in self._place and self._uses("header_pa") else None
        return PollCompleted(at, why, self._contacts, header)

    def _poll(self, at: Stamp, cells: list[str]) -> PollCompleted:
        place = self._place
        dp = signal(self._dp_name, cells[place[self._dp_name]], self._pa_per)
        header: Signal | None = None
        if "header_pa" in place:
            header = signal("header_pa", cells[place["header_pa"]], 1.0)
        if "flow_m3s" in place:
            text = cells[place["flow_m3s"]]
            self.flow_m3s = None if text.isspace() or not text else number("flow_m3s", text)
        self._read_contacts([cells[i] for i in self._contact_places.values()])
        return PollCompleted(at, dp, self._contacts, header if self._uses("header_pa") else None)

    def _read_contacts(self, texts: list[str]) -> None:
        """The very same object serves until a contact changes: the core need not compare then."""
        if texts != self._contact_texts:
            named = zip(self._contact_places, texts, strict=True)
            read = {name: contact(name, text) for name, text in named}
            used = {name: closed for name, closed in read.items() if self._uses(name)}
            self._contacts, self._contact_texts = Contacts(**used), texts

    def _uses(self, column: str) -> bool:
        return column not in self.unused

    def _note(self, before_s: float, t_s: float, cells: list[str]) -> None:
        """What the row says was done."""
        said = {name: cells[self._place[name]] for name in EVENT_COLUMNS if name in self._place}
        valve, pulses = (count(name, said.get(name, "")) for name in PULSE_COLUMNS)
        under_way = contact("cleaning", said.get("cleaning", ""))
        self._recorded.pulsed(before_s, t_s, valve, pulses)
        if under_way is not None:
            self._recorded.cleans(t_s, under_way)


class Trace:
    """One trace, read once. ``columns``: those it has. ``bytes_read()``: how far into the file.
    ``recorded``: what it says was done, as far as ``reader`` has come."""

    def __init__(
        self,
        lines: Iterable[str],
        bytes_read: Callable[[], int] = lambda: 0,
        called: str = "line",
    ) -> None:
        """Reads the header, which where lines are ``called`` rows is none of them. Raises
        TraceError."""
        self.bytes_read = bytes_read
        self._lines = iter(lines)
        heading = csv.reader(self._lines)
        try:
            self.columns = columns_of(next(heading, None))
        except csv.Error as error:
            raise TraceError(f"line 1: not CSV: {error}") from None
        self.recorded = Recorded.of(self.columns)
        line = 0 if called == "row" else heading.line_num
        self.reader = RowReader(self.columns, self.recorded, called=called, line=line)

    def samples(self, unused: Container[str] = ()) -> Iterator[PollCompleted | BadRow]:
        """Each row as a poll, or as what is wrong with it. The columns ``unused`` are checked,
        and left out of the polls. Raises TraceError."""
        self.reader.unused = unused
        return self.reader.read(self._lines)
