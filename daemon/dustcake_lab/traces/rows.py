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
from operator import itemgetter
from pathlib import Path

from dustcake.core.inputs import PollCompleted
from dustcake.core.signals import Contacts, FailureKind, ReadFailure, Signal
from dustcake.core.stamp import Stamp
from dustcake_lab.traces.columns import (
    CONTACT_COLUMNS,
    DP_COLUMNS,
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
def open_trace(path: Path) -> Iterator["Trace"]:
    """The trace in the file at ``path``. Raises TraceError, also while it is read."""
    with open_file(path) as raw:
        yield Trace(lines_of(raw), raw.tell)


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
    """Turns the cells of one row into a poll. ``flow_m3s``: of the row read last, if any."""

    def __init__(
        self,
        columns: tuple[str, ...],
        recorded: Recorded,
        unused: Container[str] = (),
        called: str = "line",
    ) -> None:
        """``recorded``: takes in what rows say was done; ``called``: what the place of a row is
        called, line or row."""
        place = {name: i for i, name in enumerate(columns)}
        self.times = Times(called)
        self.called = called
        self.recorded = recorded
        self.flow_m3s: float | None = None
        self._width = len(columns)
        self._unused = unused
        self._time = place["time"]
        self._dp_name = next(name for name in columns if name in DP_COLUMNS)
        self._dp = place[self._dp_name]
        self._pa_per = DP_COLUMNS[self._dp_name].pa
        self._header, self._flow = place.get("header_pa"), place.get("flow_m3s")
        self._header_used = self._header is not None and "header_pa" not in unused
        self._contact_places = [(name, place[name]) for name in CONTACT_COLUMNS if name in place]
        self._pick = (
            itemgetter(*(i for _, i in self._contact_places)) if self._contact_places else None
        )
        self._contact_texts: object = None
        self._contacts = Contacts()
        self._valve, self._pulses = place.get("pulse_valve"), place.get("pulses")
        self._cleaning = place.get("cleaning")

    def read(self, cells: list[str], line: int) -> PollCompleted | BadRow:
        """The poll that the row at ``line`` stands for."""
        if len(cells) != self._width:
            problem = (
                f"the header has {self._width}; a comma separates cells, and the decimal sign is "
                "a point"
            )
            return BadRow(line, "row", f"{len(cells)} cells", problem, called=self.called)
        before_s = max(self.times.last_s, 0.0)
        try:
            t_s = self.times.read(cells[self._time], line)
        except BadCellError as bad:
            return BadRow(line, bad.column, bad.value, bad.problem, called=self.called)
        start_s = self.times.start_utc_s
        at = Stamp(t_s, None if start_s is None else start_s + t_s)
        try:
            poll = self._poll(at, cells)
            self._note(before_s, t_s, cells)
        except BadCellError as bad:
            lost = ReadFailure(
                FailureKind.MISSING, f"{self.called} {line} of the trace cannot be used"
            )
            header = lost if self._header_used else None
            poll = PollCompleted(at, lost, self._contacts, header)
            return BadRow(line, bad.column, bad.value, bad.problem, poll, self.called)
        return poll

    def goes_on(self, contacts: Contacts) -> None:
        """Others have read on; this is how contacts stand now."""
        self._contacts, self._contact_texts = contacts, None

    def _poll(self, at: Stamp, cells: list[str]) -> PollCompleted:
        dp = signal(self._dp_name, cells[self._dp], self._pa_per)
        header: Signal | None = None
        if self._header is not None:
            header = signal("header_pa", cells[self._header], 1.0)
        if self._flow is not None:
            text = cells[self._flow]
            self.flow_m3s = None if text.isspace() or not text else number("flow_m3s", text)
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

    def _note(self, before_s: float, t_s: float, cells: list[str]) -> None:
        """What the row says was done."""
        valve = 0 if self._valve is None else count("pulse_valve", cells[self._valve])
        pulses = 0 if self._pulses is None else count("pulses", cells[self._pulses])
        under_way = None
        if self._cleaning is not None:
            under_way = contact("cleaning", cells[self._cleaning])
        self.recorded.pulsed(before_s, t_s, valve, pulses)
        if under_way is not None:
            self.recorded.cleans(t_s, under_way)


class Rows:
    """Rows one after the other, from wherever their lines come. ``line``: lines read so far;
    ``empty``: the first of the empty ones just read, 0 where there was none."""

    def __init__(self, reader: RowReader, line: int) -> None:
        self.reader = reader
        self.line = line
        self.empty = 0

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
                    yield self.reader.read(cells, line)
            except csv.Error as error:
                line, self.line = self.line + 1, begun + rows.line_num
                problem = f"not CSV ({error}); is a quotation mark not closed?"
                yield BadRow(line, "row", f"up to line {self.line}", problem)
            else:
                return


class Trace:
    """One trace, read once. ``columns``: those it has. ``bytes_read()``: how far into the file.
    ``recorded``: what it says was done, as far as it has been read."""

    def __init__(self, lines: Iterable[str], bytes_read: Callable[[], int] = lambda: 0) -> None:
        """Reads the header. Raises TraceError."""
        self.bytes_read = bytes_read
        self._lines = iter(lines)
        heading = csv.reader(self._lines)
        try:
            self.columns = columns_of(next(heading, None))
        except csv.Error as error:
            raise TraceError(f"line 1: not CSV: {error}") from None
        self._heading_lines = heading.line_num
        self.recorded = Recorded.of(self.columns)
        self._reader = RowReader(self.columns, self.recorded)

    @property
    def flow_m3s(self) -> float | None:
        """Flow of the row read last; None where it has none."""
        return self._reader.flow_m3s

    def samples(self, unused: Container[str] = ()) -> Iterator[PollCompleted | BadRow]:
        """Each row as a poll, or as what is wrong with it. The columns ``unused`` are checked,
        and left out of the polls. Raises TraceError."""
        self._reader = RowReader(self.columns, self.recorded, unused)
        return Rows(self._reader, self._heading_lines).read(self._lines)
