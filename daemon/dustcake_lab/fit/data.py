"""All of a trace, side by side, for a fit; and the clock its hours of the day are those of."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from zoneinfo import ZoneInfo, available_timezones

import numpy as np
import numpy.typing as npt

from dustcake.core.inputs import Measured, PollCompleted
from dustcake.core.record import record
from dustcake.core.setpoints import Setpoints
from dustcake_lab.traces.columns import BadRow
from dustcake_lab.traces.samples import Columns, Floats

LONGEST_STEP_S = 60.0
"""A longer time between two rows is a gap: nothing is known of the load in it."""

_LEAST_TOLD = 0.5
"""Of the rows with the blower running: with fewer of them recorded, flow counts as not measured."""


class TooThinError(Exception):
    """Why the trace is not enough for an estimate, and what would be."""


_DAY_S, _HOUR_S = 86_400.0, 3600.0
_QUARTER_S = 900.0
"""How finely changes of the offset are searched for: they fall on quarters of an hour of UTC."""


@record
class Clock:
    """The clock whose hours of the day are meant: that of ``zone`` (None: of UTC). ``start_utc_s``:
    what time it was at the first row; None where that is not known."""

    start_utc_s: float | None
    zone: ZoneInfo | None = None

    @property
    def name(self) -> str:
        """Which clock that is, for people."""
        if self.start_utc_s is None:
            return "the trace, from its first row"
        return "UTC" if self.zone is None else self.zone.key

    def wall_s(self, t_s: Floats) -> Floats:
        """What it shows at ``t_s`` seconds from the first row, as seconds since 1970-01-01 on that
        clock; from the first row where its time is not known."""
        if self.start_utc_s is None or self.zone is None or not len(t_s):
            return t_s + (self.start_utc_s or 0.0)
        utc_s: Floats = t_s + self.start_utc_s
        quarters, of = np.unique(np.floor(utc_s / _QUARTER_S), return_inverse=True)
        begins_s = (quarters * _QUARTER_S).tolist()
        at_begin = [datetime.fromtimestamp(each, self.zone) for each in begins_s]
        wall_s = np.array([each.replace(tzinfo=UTC).timestamp() for each in at_begin])
        shown_s: Floats = utc_s + (wall_s - begins_s)[of]
        return shown_s

    def hours(self, t_s: Floats) -> npt.NDArray[np.int8]:
        """The hour of the day, 0 to 23, on that clock."""
        return (self.wall_s(t_s) % _DAY_S // _HOUR_S).astype(np.int8)


@dataclass(slots=True)
class Samples:
    """All of a trace, side by side. ``run_s``: seconds the blower has run up to each sample;
    ``hour``: of the day, on that clock. ``flow_m3s``: above 0, or NaN
    where the trace has none. ``doubted``: where dP was read, but is not to be believed.
    ``notes``: what was not taken from the trace, in words."""

    t_s: Floats
    clock: Clock
    hour: npt.NDArray[np.int8]
    dp_pa: Floats
    running: npt.NDArray[np.bool_]
    run_s: Floats
    flow_m3s: Floats | None
    doubted: npt.NDArray[np.bool_]
    notes: tuple[str, ...] = ()

    @property
    def good(self) -> npt.NDArray[np.bool_]:
        """Where dP was read, is to be believed, and the blower ran."""
        return self.running & ~np.isnan(self.dp_pa) & ~self.doubted


def gather(
    parts: Iterable[Columns | PollCompleted | BadRow],
    setpoints: Setpoints,
    zone: ZoneInfo | None = None,
) -> Samples:
    """All samples of a trace, with hours of the day in ``zone`` (None: UTC). Raises TooThinError
    where a row cannot be used, UnknownZoneError where a trace in seconds is to have a zone."""
    columns: list[Columns] = []
    for part in parts:
        if isinstance(part, BadRow):
            raise TooThinError(f"{part}; a fit needs a trace without such rows")
        columns.append(part if isinstance(part, Columns) else _one(part))
    if not columns:
        raise TooThinError("the trace has no rows")
    clock = Clock(columns[0].start_utc_s, zone)
    if zone is not None and clock.start_utc_s is None:
        raise UnknownZoneError(
            f"{zone.key}: the trace counts seconds from its first row and has no time of day; "
            "leave the option out, or record `time` as ISO 8601"
        )
    t_s = np.concatenate([each.t_s for each in columns])
    dp_pa = np.concatenate([each.dp_pa for each in columns])
    running = dp_pa >= setpoints.blower.flow_proof_pa
    if setpoints.fitted.blower_running:
        running = np.concatenate([_blower(each) for each in columns])
    step_s = np.diff(t_s, prepend=t_s[0])
    ran_s = np.where(running & (step_s <= LONGEST_STEP_S), step_s, 0.0)
    flow_m3s, notes = _flow(columns, running)
    return Samples(
        t_s,
        clock,
        clock.hours(t_s),
        dp_pa,
        running,
        np.cumsum(ran_s),
        flow_m3s,
        np.zeros(len(t_s), bool),
        notes,
    )


def _one(poll: PollCompleted) -> Columns:
    start_s = None if poll.at.utc_s is None else poll.at.utc_s - poll.at.mono_s
    dp_pa = poll.dp.pa if isinstance(poll.dp, Measured) else np.nan
    return Columns(np.array([poll.at.mono_s]), start_s, np.array([dp_pa]), kinds=(poll.contacts,))


def _flow(
    columns: list[Columns], running: npt.NDArray[np.bool_]
) -> tuple[Floats | None, tuple[str, ...]]:
    """Flow, NaN where there is none. A blower that runs moves air: what is not above 0 then is no
    flow that was measured. None, with a note, where little else is left."""
    if all(each.flow_m3s is None for each in columns):
        return None, ()
    flow_m3s = np.concatenate(
        [np.full(len(each), np.nan) if each.flow_m3s is None else each.flow_m3s for each in columns]
    )
    flow_m3s = np.where(flow_m3s > 0.0, flow_m3s, np.nan)
    known = ~np.isnan(flow_m3s[running])
    share = float(known.mean()) if len(known) else 0.0
    if share >= _LEAST_TOLD:
        return flow_m3s, ()
    return None, (
        f"the column `flow_m3s` is above 0 in only {100 * share:.0f} % of the rows with the "
        "blower running: flow is taken as not measured",
    )


def _blower(columns: Columns) -> npt.NDArray[np.bool_]:
    on = np.array([bool(contacts.blower_running) for contacts in columns.kinds])
    return on[columns.kind] if columns.kind is not None else np.full(len(columns), on[0])


class UnknownZoneError(ValueError):
    """Why a time zone cannot be used, and the remedy."""


def zone_named(name: str) -> ZoneInfo:
    """The time zone of that name in the IANA database. Raises UnknownZoneError."""
    try:
        return ZoneInfo(name)
    except (KeyError, ValueError, OSError):  # not there; no name of a zone; a directory of zones
        pass
    if not available_timezones():
        raise UnknownZoneError(
            f"{name!r}: this system has no time zones; install the package tzdata (apt install "
            "tzdata, or pip install tzdata), or leave the option out for UTC"
        )
    raise UnknownZoneError(
        f"{name!r} is no time zone; write its name of the IANA database, such as Europe/Berlin or "
        "America/Chicago, or leave the option out for UTC"
    )
