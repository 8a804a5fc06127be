"""How far a study is, on one line of a terminal."""

import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from threading import Lock

from dustcake.publish.wording import duration

_TELLING_S = 5.0
"""Of work, before it can be said how long the rest will take."""


@contextmanager
def shown_progress(draws: int, tries: int | None) -> Iterator[None]:
    """Show on stderr, while this lasts, how many settings have been simulated, each under ``draws``
    sets of parameters; ``tries``: how many a search will look at. Nothing where nobody watches."""
    if not sys.stderr.isatty():
        yield
        return
    from dustcake_lab.study.jobs import watched

    line = _Line(draws, tries)
    try:
        with watched(line.begins, line.over):
            yield
    finally:
        line.close()


class _Line:
    def __init__(self, draws: int, tries: int | None) -> None:
        self._draws = draws
        self._jobs = 0
        self._least_jobs = 0 if tries is None else (tries + 1) * draws
        self._before = 0
        self._begun_s = 0.0
        self._open = True
        self._lock = Lock()
        self._show("reading and fitting")

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
        told = f"simulating: {done // self._draws} of {total // self._draws} settings"
        took_s = time.monotonic() - self._begun_s
        if done and took_s >= _TELLING_S:
            left_s = took_s * (total - done) / done
            told += f", about {duration(round(left_s))} left"
        self._show(told)

    def _show(self, text: str) -> None:
        with self._lock:
            if self._open:
                print(f"\r\x1b[K{text}", end="", file=sys.stderr, flush=True)

    def close(self) -> None:
        """Leave the line empty, for what is told next; what comes late is not shown."""
        self._show("")
        self._open = False
