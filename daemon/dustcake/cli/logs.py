"""Logging to stderr: in words for people and journald, or as JSON for programs.

A thread of its own writes, so that whoever should read the log, and does not, keeps nobody waiting
but that thread. What it cannot get rid of in time is lost, and counted.
"""

import atexit
import errno
import io
import logging
import os
import queue
import select
import threading
import time
from contextlib import suppress
from typing import TextIO, cast

import structlog
from structlog.typing import Processor

MOST_WAITING = 2000
STDERR = 2
LAST_LINES_S = 0.2
LOST_LINE_EVERY_S = 5.0


class LineWriter(io.TextIOBase):
    """Writes lines to ``descriptor`` without ever keeping the caller waiting or failing."""

    def __init__(self, descriptor: int) -> None:
        self._descriptor = descriptor
        self._waiting: queue.Queue[str | threading.Event] = queue.Queue(MOST_WAITING)
        self._lost = 0
        self._lock = threading.Lock()
        self._tell_from_s = 0.0
        self._thread = threading.Thread(target=self._write_all, name="log", daemon=True)
        self._thread.start()

    def write(self, line: str) -> int:
        """Write one line in time, or lose it."""
        if threading.current_thread() is self._thread:
            self._write(line)  # of what was lost
            return len(line)
        try:
            self._waiting.put_nowait(line)
        except queue.Full:
            self._lose(1)
        return len(line)

    def drain(self, within_s: float = LAST_LINES_S) -> None:
        """Return when all lines so far are written, or the time is up."""
        written = threading.Event()
        with suppress(queue.Full):
            self._waiting.put_nowait(written)
            written.wait(within_s)

    def _lose(self, count: int) -> None:
        with self._lock:
            self._lost += count

    def _write_all(self) -> None:
        while True:
            line = self._waiting.get()
            if isinstance(line, threading.Event):
                self._tell_lost()
                line.set()
                continue
            try:
                self._write(line)
            except OSError:  # nobody reads any more, or the disk is full
                self._lose(1)
            else:
                if time.monotonic() >= self._tell_from_s:
                    self._tell_lost()

    def _tell_lost(self) -> None:
        with self._lock:
            lost, self._lost = self._lost, 0
        if not lost:
            return
        self._tell_from_s = time.monotonic() + LOST_LINE_EVERY_S
        try:
            structlog.get_logger().warning("log lines lost", count=lost)
        except OSError:
            self._lose(lost)

    def _write(self, line: str) -> None:
        data = line.encode(errors="backslashreplace")
        while data:
            try:
                data = data[os.write(self._descriptor, data) :]
            except BlockingIOError:  # somebody has set it to that, whose file it is as well
                select.select([], [self._descriptor], [])


def log_to_stderr(form: str, level: str) -> LineWriter:
    """``form`` is `text` or `json`; ``level`` a name of the standard library's levels. What is
    returned is drained at an ordinary exit."""
    _take_up_descriptors()
    writer = LineWriter(STDERR)
    atexit.register(writer.drain)
    processors: list[Processor] = [
        structlog.contextvars.merge_contextvars,
        structlog.processors.add_log_level,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
    ]
    if form == "json":
        processors.append(structlog.processors.format_exc_info)
        processors.append(structlog.processors.JSONRenderer(ensure_ascii=False))
    else:
        processors.append(structlog.dev.ConsoleRenderer(colors=os.isatty(STDERR)))
    structlog.configure(
        processors=processors,
        wrapper_class=structlog.make_filtering_bound_logger(level),
        logger_factory=structlog.WriteLoggerFactory(cast(TextIO, writer)),
        cache_logger_on_first_use=True,
    )
    # Libraries that use the standard library's logging are heard only when they warn.
    handler = logging.StreamHandler(writer)
    handler.setFormatter(logging.Formatter("%(name)s: %(message)s"))
    logging.basicConfig(handlers=[handler], level=logging.WARNING)
    logging.captureWarnings(True)
    return writer


def _take_up_descriptors() -> None:
    """Where a standard stream was closed, the next file to be opened would take its number, and be
    written the log."""
    for number in range(STDERR + 1):
        try:
            os.fstat(number)
        except OSError as error:
            if error.errno != errno.EBADF:
                raise
            os.open(os.devnull, os.O_RDWR)  # the lowest number that is free, which is this one
