"""What commands of the lab share: rows that cannot be used, and long work, how far it has come."""

import argparse
import gc
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from threading import Lock

from dustcake.cli.common import between, fail
from dustcake.publish.wording import duration
from dustcake_lab.traces.columns import BadRow

LISTED_BAD_ROWS = 20
FLOW_M3S = between(0.0, 100.0, "the flow in m3/s, such as 1.2")
"""No collector has more (common practice, no source): such a number is in other units."""
AIR_L = between(0.0, 10_000.0, "litres of free air for one pulse, such as 40")


def file_called(*endings: str) -> Callable[[str], Path]:
    """A file to write, whose ending says what it is."""

    def read(text: str) -> Path:
        if Path(text).suffix.lower() not in endings:
            wanted = " or ".join(endings)
            raise argparse.ArgumentTypeError(f"{text!r}: name a file that ends in {wanted}")
        return Path(text)

    return read


def whole_number(least: int, most: int) -> Callable[[str], int]:
    """A whole number from ``least`` to ``most``."""

    def read(text: str) -> int:
        try:
            value = int(text)
        except ValueError:
            value = least - 1
        if not least <= value <= most:
            limits = f"from {least} to {most}"
            raise argparse.ArgumentTypeError(f"{text!r}: give a whole number {limits}")
        return value

    return read


class BadRowReport:
    """Names rows that cannot be used on stderr, the first of them, and says what becomes of the
    trace: it is refused, or with ``skip`` the rest is used."""

    def __init__(self, *, skip: bool) -> None:
        self.count = 0
        self._skip = skip

    @property
    def refused(self) -> bool:
        """The trace is refused: nothing of it is used."""
        return self.count > 0 and not self._skip

    def add(self, row: BadRow) -> bool:
        """Take in one more; whether it was named."""
        self.count += 1
        if self.count <= LISTED_BAD_ROWS:
            fail(str(row))
        return self.count <= LISTED_BAD_ROWS

    def close(self) -> None:
        """After the last row."""
        if self.count > LISTED_BAD_ROWS:
            fail(f"... and {self.count - LISTED_BAD_ROWS} more")
        if self.refused:
            rows, them = ("row", "it") if self.count == 1 else ("rows", "them")
            remedy = f"correct {them}, or add --skip-bad-rows to use the rest"
            fail(f"{self.count} {rows} cannot be used; {remedy}")


_ESTIMATE_AFTER_S = 5.0
"""Of work, before it can be said how long the rest will take."""


class ProgressLine:
    """One line on stderr, drawn anew each time. Any thread may draw it; once closed it stays empty,
    and what comes late is not shown."""

    def __init__(self) -> None:
        self._open = True
        self._drawn = False
        self._lock = Lock()

    def show(self, text: str) -> None:
        """Replace what is on the line."""
        with self._lock:
            if self._open:
                print(f"\r\x1b[K{text}", end="", file=sys.stderr, flush=True)
                self._drawn = bool(text)

    def clear(self) -> None:
        """Make room for other output."""
        if self._drawn:
            self.show("")

    def close(self) -> None:
        """Leave the line empty."""
        self.clear()
        self._open = False


def progress_line() -> ProgressLine | None:
    """The line; None where nobody watches."""
    return ProgressLine() if sys.stderr.isatty() else None


@contextmanager
def study_progress(draws: int, tries: int | None) -> Iterator[None]:
    """Show, while this lasts, how many settings have been simulated, each under ``draws`` sets of
    parameters; ``tries``: how many a search will try."""
    line = progress_line()
    if line is None:
        yield
        return
    from dustcake_lab.study.jobs import watched

    least_jobs = 0 if tries is None else (tries + 1) * draws
    before = jobs = 0
    begun_s = time.monotonic()

    def begins(more: int) -> None:
        """So many more are to be done; a search says so for each generation."""
        nonlocal before, jobs, begun_s
        begun_s = begun_s if jobs else time.monotonic()
        before, jobs = jobs, jobs + more
        over(0)

    def over(newly: int) -> None:
        """So many of those are done."""
        done, total = before + newly, max(jobs, least_jobs)
        text = f"simulating: {done // draws} of {total // draws} settings"
        took_s = time.monotonic() - begun_s
        if done and took_s >= _ESTIMATE_AFTER_S:
            text += f", about {duration(round(took_s * (total - done) / done))} left"
        line.show(text)

    line.show("reading and fitting")
    try:
        with watched(begins, over):
            yield
    finally:
        line.close()


@contextmanager
def long_work() -> Iterator[None]:
    """While a long trace is read in one thread and worked on in another: a reader that asks for
    the interpreter gets it sooner, and cycles, which no record makes, are looked for less often."""
    switch_s, thresholds = sys.getswitchinterval(), gc.get_threshold()
    sys.setswitchinterval(0.0005)
    gc.set_threshold(100_000, *thresholds[1:])
    try:
        yield
    finally:
        sys.setswitchinterval(switch_s)
        gc.set_threshold(*thresholds)
