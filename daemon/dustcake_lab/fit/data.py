"""All of a trace, side by side, for a fit; and the clock its hours of the day are those of."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo, available_timezones

import numpy as np
import numpy.typing as npt

from dustcake.core.inputs import Measured, PollCompleted
from dustcake.core.setpoints import Setpoints
from dustcake_lab.traces.columns import BadRow
from dustcake_lab.traces.samples import Columns, Floats

LONGEST_STEP_S = 60.0
"""A longer time between two rows is a gap: nothing is known of the load in it."""

_LEAST_TOLD = 0.5
"""Of the rows with the blower running: with fewer of them recorded, flow counts as not measured."""


class TooThinError(Exception):
    """Why the trace is not enough for an estimate, and what would be."""


@dataclass(slots=True)
class Samples:
    """All of a trace, side by side. ``run_s``: seconds the blower has run up to each sample;
    ``hour``: of the day, on the clock of ``zone`` (None: of UTC). ``flow_m3s``: above 0, or NaN
    where the trace has none. ``doubted``: where dP was read, but is not to be believed.
    ``notes``: what was not taken from the trace, in words."""

    t_s: Floats
    start_utc_s: float | None
    zone: ZoneInfo | None
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

    @property
    def clock(self) -> str:
        """Whose hours those are, for people."""
        return clock_name(self.start_utc_s, self.zone)


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
    start_utc_s = columns[0].start_utc_s
    if zone is not None and start_utc_s is None:
        raise UnknownZoneError(
            f"{zone.key}: the trace counts seconds from its first row and has no time of day; "
            "leave the option out, or record `time` as ISO 8601"
        )
    t_s = np.concatenate([each.t_s for each in columns])
    dp_pa = np.concatenate([each.dp_pa for each in columns])
    if setpoints.fitted.blower_running:
        running = np.concatenate([_blower(each) for each in columns])
    else:
        running = dp_pa >= setpoints.blower.flow_proof_pa
    step_s = np.diff(t_s, prepend=t_s[0])
    ran_s = np.where(running & (step_s <= LONGEST_STEP_S), step_s, 0.0)
    flow_m3s, notes = _flow(columns, running)
    return Samples(
        t_s,
        start_utc_s,
        zone,
        hours_of_day(t_s, start_utc_s, zone),
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


_DAY_S, _HOUR_S = 86_400.0, 3600.0
_QUARTER_S = 900.0
"""How finely changes of the offset are searched for: they fall on quarters of an hour of UTC."""


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


def clock_s(t_s: Floats, start_utc_s: float | None, zone: ZoneInfo | None) -> Floats:
    """What a clock on the wall shows at ``t_s`` seconds from the first row, as seconds since
    1970-01-01 on that clock; of UTC without ``zone``. From the first row where ``start_utc_s``,
    its time of day, is not known."""
    if start_utc_s is None or zone is None or not len(t_s):
        return t_s + (start_utc_s or 0.0)
    utc_s: Floats = t_s + start_utc_s
    quarter = np.floor(utc_s / _QUARTER_S).astype(np.int64)
    first = int(quarter.min())
    quarters = np.arange(first, int(quarter.max()) + 1)
    ahead_s = np.array([_ahead_s(float(each) * _QUARTER_S, zone) for each in quarters])
    wall_s: Floats = utc_s + ahead_s[quarter - first]
    return wall_s


def _ahead_s(utc_s: float, zone: ZoneInfo) -> float:
    offset = datetime.fromtimestamp(utc_s, zone).utcoffset()
    assert offset is not None  # a zone of the database always has one
    return offset.total_seconds()


def hours_of_day(
    t_s: Floats, start_utc_s: float | None, zone: ZoneInfo | None
) -> npt.NDArray[np.int8]:
    """The hour of the day, 0 to 23, on that clock."""
    return (clock_s(t_s, start_utc_s, zone) % _DAY_S // _HOUR_S).astype(np.int8)


def clock_name(start_utc_s: float | None, zone: ZoneInfo | None) -> str:
    """Which clock that is, for people."""
    if start_utc_s is None:
        return "the trace, from its first row"
    return "UTC" if zone is None else zone.key
