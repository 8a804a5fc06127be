"""A CSV trace a block at a time, by polars: as fast as the file can be parsed.

A block in which everything is as it should be becomes columns at once. One in which anything is
not is halved until what is odd is in a small piece, and that is read row by row (``traces``), which
knows what to say of each cell. Either way the same file gives the same samples.
"""

import csv
from collections.abc import Container, Iterator
from io import BufferedIOBase, BufferedReader, BytesIO, RawIOBase

import numpy as np
import polars as pl

from dustcake_lab.traces.ahead import ahead
from dustcake_lab.traces.columns import Recorded, TraceError, columns_of
from dustcake_lab.traces.frames import FrameReader, Samples
from dustcake_lab.traces.rows import Trace, lines_of, why
from dustcake_lab.traces.sample_columns import Columns

_BLOCK_BYTES = 16_000_000
_SMALL_BYTES = 16_000


class CsvTrace:
    """One trace, read once. As ``traces.Trace``, but in columns as far as that goes."""

    def __init__(self, raw: BufferedIOBase) -> None:
        """Reads the header. Raises TraceError."""
        self._raw = raw
        self.recorded = Recorded()
        self._begun = self._read()
        self._by_rows: Trace | None = None
        cut = self._begun.find(b"\n") + 1
        if not cut or _is_odd(self._begun[:cut]):
            self._by_rows = Trace(self._lines(self._begun, 0))
            self.columns = self._by_rows.columns
        else:
            (heading,) = csv.reader(lines_of(BytesIO(self._begun[:cut])))
            self.columns = columns_of(heading)
            self._begun = self._begun[cut:]

    def bytes_read(self) -> int:
        """How far into the file."""
        return self._raw.tell()

    def samples(self, unused: Container[str] = ()) -> Samples:
        """The samples in order, and what is wrong with rows that cannot be used. The columns
        ``unused`` are checked, and left out. Raises TraceError."""
        if self._by_rows is not None:
            by_rows = self._by_rows.samples(unused)
            self.recorded = self._by_rows.recorded
            return by_rows
        reader = FrameReader(self.columns, unused)
        self.recorded, reader.rows.line = reader.recorded, 1
        return ahead(self._samples(reader))

    def _samples(self, reader: FrameReader) -> Samples:
        rest = self._begun
        while rest:
            cut = rest.rfind(b"\n") + 1
            block, rest = rest[:cut], rest[cut:]
            if not block or _is_odd(block):
                yield from reader.rows.read(self._lines(block + rest, reader.rows.line))
                return
            yield from self._block(block, reader)
            more = self._read()
            if not more:
                yield from reader.rows.read(lines_of(BytesIO(rest), reader.rows.line))
                return
            rest += more

    def _block(self, block: bytes, reader: FrameReader) -> Samples:
        waiting = [block]
        while waiting:
            piece = waiting.pop()
            columns = _at_once(piece, self.columns, reader)
            if columns is not None:
                yield columns
                continue
            # The first row whose time is good decides on the form of all times: until then a small
            # piece after the other is read by rows.
            begun = reader.times.begun
            cut = piece.find(b"\n", len(piece) // 2 if begun else _SMALL_BYTES) + 1 or len(piece)
            if len(piece) > _SMALL_BYTES and cut < len(piece):
                waiting.append(piece[cut:])
                if begun:
                    waiting.append(piece[:cut])
                    continue
                piece = piece[:cut]
            yield from reader.rows.read(lines_of(BytesIO(piece), reader.rows.line))

    def _lines(self, ahead: bytes, done: int) -> Iterator[str]:
        """All that is left, line by line."""
        return lines_of(BufferedReader(_Chained(ahead, self._raw)), done)  # type: ignore[type-var]

    def _read(self) -> bytes:
        try:
            return self._raw.read(_BLOCK_BYTES)
        except OSError as error:
            raise TraceError(f"{why(error)} while it was read; copy it elsewhere first") from None


def _is_odd(block: bytes) -> bool:
    """Whether it is not certain where lines end: a quoted cell may hold the end of one."""
    if b'"' in block:
        return True
    return b"\r" in block and block.count(b"\r") != block.count(b"\r\n")


def _at_once(block: bytes, columns: tuple[str, ...], reader: FrameReader) -> Columns | None:
    """The whole block; None where anything in it is not as it should be."""
    if not reader.times.begun:
        return None
    letters = np.frombuffer(block, np.uint8)  # several times as fast as counting in bytes
    rows = int(np.count_nonzero(letters == ord("\n")))
    if int(np.count_nonzero(letters == ord(","))) != rows * (len(columns) - 1):
        return None
    time = pl.Float64 if reader.times.seconds_0 is not None else pl.String
    schema = {name: time if name == "time" else pl.Float64 for name in columns}
    try:
        frame = pl.read_csv(block, has_header=False, schema=schema, quote_char=None)
    except pl.exceptions.PolarsError:
        return None
    return reader.columns(frame) if len(frame) == rows else None


class _Chained(RawIOBase):
    """Bytes already read, and then the file they were read from."""

    def __init__(self, read: bytes, further: BufferedIOBase) -> None:
        self._read = BytesIO(read)
        self._further = further

    def readable(self) -> bool:
        """It is."""
        return True

    def readinto(self, buffer: bytearray) -> int:  # type: ignore[override]
        """As any raw file."""
        data = self._read.read(len(buffer)) or self._further.read(len(buffer))
        buffer[: len(data)] = data
        return len(data)
