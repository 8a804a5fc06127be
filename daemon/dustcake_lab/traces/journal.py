"""A daemon's journal as a trace: what was read, and what was done between one poll and the next."""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from heapq import merge
from io import BufferedReader
from math import inf
from operator import itemgetter
from pathlib import Path
from typing import Any

from dustcake.adapters.store import History
from dustcake.core.events import CleaningStarted, CleaningStopped, PulseFired, ZeroTaken
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
    bounded = since_utc_s is not None or until_utc_s is not None
    from_s = -inf if since_utc_s is None else since_utc_s
    to_s = inf if until_utc_s is None else until_utc_s
    with History(path) as history:
        yield ",".join(["time", "dp_pa", *contacts, *header, *EVENT_COLUMNS]) + "\n"
        offsets_s, starts = history.utc_offsets(), set[int]()
        events = _events(history, collector)
        zero_pa = _first_zero(history, collector, events)
        valve, pulses, cleaning = 0, 0, 0
        # Of one moment the events come first.
        for (start, mono_s), what in merge(events, _polls(history, collector), key=itemgetter(0)):
            if isinstance(what, PulseFired):
                valve, pulses = what.valve, pulses + 1
            elif isinstance(what, ZeroTaken):
                zero_pa = what.offset_pa
            elif not isinstance(what, PollCompleted):
                cleaning = int(isinstance(what, CleaningStarted))
            else:
                starts.add(start)
                utc_s = None if start not in offsets_s else mono_s + offsets_s[start]
                if utc_s is None and not bounded and len(starts) > 1:
                    raise TraceError(
                        f"start {start} of the daemon never had its clock set: what it read cannot "
                        "be placed in time; use --since to leave it out"
                    )
                if not bounded or (utc_s is not None and from_s <= utc_s <= to_s):
                    time = f"{mono_s:.6f}" if utc_s is None else _iso(utc_s)
                    done = (str(valve or ""), str(pulses or ""), str(cleaning))
                    yield ",".join([time, *_readings(what, setpoints, zero_pa), *done]) + "\n"
                valve = pulses = 0


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
