"""The clock that people at a plant live by: of UTC, or of a time zone, its summer time heeded."""

from datetime import datetime
from zoneinfo import ZoneInfo, available_timezones

import numpy as np
import numpy.typing as npt

from dustcake_lab.traces.sample_columns import Floats

_DAY_S, _HOUR_S = 86_400.0, 3600.0
_LOOK_S = 900.0
"""How finely changes of the offset are looked for: they fall on quarters of an hour of UTC."""


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
    quarter = np.floor(utc_s / _LOOK_S).astype(np.int64)
    first = int(quarter.min())
    looked = np.arange(first, int(quarter.max()) + 1)
    ahead_s = np.array([_ahead_s(float(each) * _LOOK_S, zone) for each in looked])
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
