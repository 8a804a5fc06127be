"""Long work: how far it has come, on one line of a terminal, and the interpreter set up for it."""

import gc
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from threading import Lock

from dustcake.publish.wording import duration

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

    jobs = _StudyJobs(line, draws, tries)
    line.show("reading and fitting")
    try:
        with watched(jobs.begins, jobs.over):
            yield
    finally:
        line.close()


class _StudyJobs:
    """Counts the simulations of a study."""

    def __init__(self, line: ProgressLine, draws: int, tries: int | None) -> None:
        self._line = line
        self._draws = draws
        self._jobs = 0
        self._least_jobs = 0 if tries is None else (tries + 1) * draws
        self._before = 0
        self._begun_s = 0.0

    def begins(self, jobs: int) -> None:
        """So many more are to be done; a search says so for each generation."""
        self._begun_s = self._begun_s or time.monotonic()
        self._before = self._jobs
        self._jobs += jobs
        self.over(0)

    def over(self, jobs: int) -> None:
        """So many of those are done. Also called from other threads."""
        done = self._before + jobs
        total = max(self._jobs, self._least_jobs)
        text = f"simulating: {done // self._draws} of {total // self._draws} settings"
        took_s = time.monotonic() - self._begun_s
        if done and took_s >= _ESTIMATE_AFTER_S:
            left_s = took_s * (total - done) / done
            text += f", about {duration(round(left_s))} left"
        self._line.show(text)


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
