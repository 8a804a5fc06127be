"""A daemon's journal as a trace: what was read, and what was done between one poll and the next."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from heapq import merge
from io import BufferedReader
from math import inf
from operator import itemgetter
from pathlib import Path
from typing import Any

from dustcake.adapters.store import History
from dustcake.core.events import Body, CleaningStarted, CleaningStopped, PulseFired, ZeroTaken
from dustcake.core.inputs import PollCompleted, Signal
from dustcake.core.reading import Quality, interpret
from dustcake.core.setpoints import Scale, Setpoints
from dustcake_lab.traces.columns import EVENT_COLUMNS, TraceError

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MAGIC = b"SQLite format 3\x00"
_Moment = tuple[int, float]
"""The start of the daemon, and the seconds of its monotonic clock: certain whatever UTC said."""


def is_journal(raw: BufferedReader) -> bool:
    """Whether the file could be one; what it begins with is still to be read."""
    try:
        return raw.peek(len(_MAGIC)).startswith(_MAGIC)
    except OSError:
        return False


def journal_lines(
    path: Path,
    collector: str,
    setpoints: Setpoints,
    since_utc_s: float | None = None,
    until_utc_s: float | None = None,
) -> Iterator[str]:
    """The lines of a CSV trace; where times are given only what was read between them. dP as the
    daemon took it: scaled, its zero taken off, and empty where the reading was not good.

    Raises TraceError where times are not known, and ``StoreRefused``.
    """
    contacts, header = setpoints.fitted.names(), ["header_pa"] if setpoints.header else []
    with History(path) as history:
        yield ",".join(["time", "dp_pa", *contacts, *header, *EVENT_COLUMNS]) + "\n"
        times = _Times(history.utc_offsets(), since_utc_s, until_utc_s)
        events = _events(history, collector)
        done = _Done(_first_zero(history, collector, events))
        # Of one moment the events come first.
        for moment, what in merge(events, _polls(history, collector), key=itemgetter(0)):
            if not isinstance(what, PollCompleted):
                done.take(what)
                continue
            time = times.written(*moment)
            if time:
                said = _readings(what, setpoints, done.zero_pa)
                yield ",".join([time, *said, *done.cells()]) + "\n"
            done.valve = done.pulses = 0


class _Times:
    """How the times of a trace are written, of which only those within the bounds are wanted."""

    def __init__(
        self, offsets_s: dict[int, float], since_utc_s: float | None, until_utc_s: float | None
    ) -> None:
        self._offsets_s, self._starts = offsets_s, set[int]()
        self._bounded = since_utc_s is not None or until_utc_s is not None
        self._from_s = -inf if since_utc_s is None else since_utc_s
        self._to_s = inf if until_utc_s is None else until_utc_s

    def written(self, start: int, mono_s: float) -> str:
        """A moment in ISO 8601, or in seconds where the clock was never set; empty for one that is
        not wanted. Raises TraceError."""
        self._starts.add(start)
        if start in self._offsets_s:
            utc_s = mono_s + self._offsets_s[start]
            return _iso(utc_s) if self._from_s <= utc_s <= self._to_s else ""
        if self._bounded:
            return ""
        if len(self._starts) > 1:
            raise TraceError(
                f"start {start} of the daemon never had its clock set: what it read cannot be "
                "placed in time; use --since to leave it out"
            )
        return f"{mono_s:.6f}"


@dataclass(slots=True)
class _Done:
    """What was done since the poll before, and the zero that holds."""

    zero_pa: float
    valve: int = 0
    pulses: int = 0
    cleaning: int = 0

    def take(self, body: Body) -> None:
        if isinstance(body, PulseFired):
            self.valve, self.pulses = body.valve, self.pulses + 1
        elif isinstance(body, ZeroTaken):
            self.zero_pa = body.offset_pa
        else:
            self.cleaning = int(isinstance(body, CleaningStarted))

    def cells(self) -> tuple[str, str, str]:
        return str(self.valve or ""), str(self.pulses or ""), str(self.cleaning)


def _polls(history: History, collector: str) -> Iterator[tuple[_Moment, Any]]:
    for start, happened in history.inputs(collector):
        if isinstance(happened, PollCompleted):
            yield (start, happened.at.mono_s), happened


def _events(history: History, collector: str) -> list[tuple[_Moment, Any]]:
    """What tells of pulses, cleaning and zeros."""
    names = [body.name for body in (PulseFired, CleaningStarted, CleaningStopped, ZeroTaken)]
    return [
        ((one.start, one.mono_s), event.body)
        for one in history.all_events(collector, None, names)
        if (event := one.event()) is not None
    ]


def _first_zero(history: History, collector: str, events: list[tuple[_Moment, Any]]) -> float:
    for _, body in events:
        if isinstance(body, ZeroTaken):
            return body.previous_offset_pa
    stored = history.state(collector)
    return 0.0 if stored is None else stored.state.zero.offset_pa


def _iso(utc_s: float) -> str:
    return f"{_EPOCH + timedelta(seconds=utc_s):%Y-%m-%dT%H:%M:%S.%f}Z"


def _readings(poll: PollCompleted, setpoints: Setpoints, zero_pa: float) -> Iterator[str]:
    yield _pressure(poll.dp, setpoints.dp, zero_pa)
    for name in setpoints.fitted.names():
        closed = getattr(poll.contacts, name)
        yield "" if closed is None else str(int(closed))
    if setpoints.header is not None:
        yield _pressure(poll.header, setpoints.header, 0.0)


def _pressure(signal: Signal | None, scale: Scale, zero_pa: float) -> str:
    if signal is None:
        return ""
    pa, quality, _ = interpret(signal, scale, zero_pa)
    return repr(pa) if pa is not None and quality is Quality.GOOD else ""
