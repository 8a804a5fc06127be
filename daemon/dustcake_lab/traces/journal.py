"""A daemon's journal as a trace: what was read, and what was done between one poll and the next."""

from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
from io import BufferedReader
from math import inf
from pathlib import Path

from dustcake.adapters.store import History
from dustcake.core.events import CleaningStarted, CleaningStopped, Event, PulseFired, ZeroTaken
from dustcake.core.inputs import PollCompleted, Signal
from dustcake.core.reading import Quality, interpret
from dustcake.core.setpoints import Scale, Setpoints
from dustcake_lab.traces.columns import TraceError

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
    with History(path) as history:
        doings = _Doings(history, collector)
        offsets_s = history.utc_offsets()
        contacts = setpoints.fitted.names()
        header = ["header_pa"] if setpoints.header is not None else []
        yield (
            ",".join(["time", "dp_pa", *contacts, *header, "pulse_valve", "pulses", "cleaning"])
            + "\n"
        )
        starts: set[int] = set()
        bounded = since_utc_s is not None or until_utc_s is not None
        from_s = -inf if since_utc_s is None else since_utc_s
        to_s = inf if until_utc_s is None else until_utc_s
        for start, happened in history.inputs(collector):
            if not isinstance(happened, PollCompleted):
                continue
            starts.add(start)
            offset_s, mono_s = offsets_s.get(start), happened.at.mono_s
            if offset_s is None and not bounded and len(starts) > 1:
                raise TraceError(
                    f"start {start} of the daemon never had its clock set: what it read cannot be "
                    "placed in time; use --since to leave it out"
                )
            zero_pa, valve, pulses, cleaning = doings.up_to((start, mono_s))
            if bounded and (offset_s is None or not from_s <= mono_s + offset_s <= to_s):
                continue
            cells = [_time(mono_s, offset_s), _pressure(happened.dp, setpoints.dp, zero_pa)]
            cells += [_contact(getattr(happened.contacts, name)) for name in contacts]
            if setpoints.header is not None:
                cells.append(_pressure(happened.header, setpoints.header, 0.0))
            cells += [str(valve or ""), str(pulses or ""), "1" if cleaning else "0"]
            yield ",".join(cells) + "\n"


class _Doings:
    """What was done, taken in poll by poll."""

    def __init__(self, history: History, collector: str) -> None:
        self._events: list[tuple[_Moment, Event]] = [
            ((one.start, one.mono_s), event)
            for one in history.all_events(collector, None, _NAMES)
            if (event := one.event()) is not None
        ]
        self._next = 0
        self._cleaning = False
        self._zero_pa = self._first_zero(history, collector)

    def _first_zero(self, history: History, collector: str) -> float:
        for _, event in self._events:
            if isinstance(event.body, ZeroTaken):
                return event.body.previous_offset_pa
        stored = history.state(collector)
        return 0.0 if stored is None else stored.state.zero.offset_pa

    def up_to(self, moment: _Moment) -> tuple[float, int, int, bool]:
        """Zero offset, last valve pulsed, number of pulses since the poll before, and whether a
        cleaning run is under way."""
        valve = pulses = 0
        while self._next < len(self._events) and self._events[self._next][0] <= moment:
            body = self._events[self._next][1].body
            if isinstance(body, PulseFired):
                valve, pulses = body.valve, pulses + 1
            elif isinstance(body, ZeroTaken):
                self._zero_pa = body.offset_pa
            else:
                self._cleaning = isinstance(body, CleaningStarted)
            self._next += 1
        return self._zero_pa, valve, pulses, self._cleaning


_NAMES: Sequence[str] = tuple(
    body.name for body in (PulseFired, CleaningStarted, CleaningStopped, ZeroTaken)
)


def _time(mono_s: float, offset_s: float | None) -> str:
    if offset_s is None:
        return f"{mono_s:.6f}"
    at = _EPOCH + timedelta(seconds=mono_s + offset_s)
    return f"{at:%Y-%m-%dT%H:%M:%S.%f}Z"


def _pressure(signal: Signal | None, scale: Scale, zero_pa: float) -> str:
    if signal is None:
        return ""
    pa, quality, _ = interpret(signal, scale, zero_pa)
    return repr(pa) if pa is not None and quality is Quality.GOOD else ""


def _contact(closed: bool | None) -> str:
    return "" if closed is None else str(int(closed))
