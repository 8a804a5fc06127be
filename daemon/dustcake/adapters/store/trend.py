"""A trend: dP and header pressure over a length of time, in as many parts as a screen shows."""

import sqlite3
from math import ceil

from dustcake.core.minutes import Spread
from dustcake.core.record import record

HOUR_S = 3600.0
_DAY_S = 24 * HOUR_S
FROM_HOURS_S = 8 * _DAY_S  # a longer trend is made of hours, which are sixty times fewer
_WIDTHS_S = (
    *(60.0 * minutes for minutes in (1, 2, 5, 10, 15, 30)),
    *(HOUR_S * hours for hours in (1, 2, 3, 4, 6, 12, 24)),
)

_MINUTES = """
    SELECT CAST((utc_s - :since) / :width AS INTEGER) AS part,
        min(dp_min_pa), total(dp_mean_pa * good), total(iif(dp_mean_pa IS NULL, 0, good)),
        max(dp_max_pa),
        min(header_min_pa), total(header_mean_pa * polls),
        total(iif(header_mean_pa IS NULL, 0, polls)), max(header_max_pa)
    FROM minutes
    WHERE n >= (
        SELECT min(first_n) FROM hours WHERE collector = :collector AND hour >= :first_hour
    ) AND collector = :collector AND utc_s >= :since AND utc_s < :until
    GROUP BY part ORDER BY part
"""
_HOURS = """
    SELECT CAST((hour * 3600.0 - :since) / :width AS INTEGER) AS part,
        min(dp_min_pa), total(dp_sum_pa), total(good), max(dp_max_pa),
        min(header_min_pa), total(header_sum_pa), total(polls), max(header_max_pa)
    FROM hours
    WHERE collector = :collector AND hour >= :first_hour AND hour * 3600.0 < :until
    GROUP BY part ORDER BY part
"""


@record
class TrendPart:
    """What was read within one part of a trend, which begins at ``utc_s``. ``dp``, ``header``:
    None where there was no good reading, or none is fitted."""

    utc_s: float
    dp: Spread | None
    header: Spread | None


@record
class Trend:
    """``parts`` in order, each ``width_s`` long; a part about which nothing is known is left
    out."""

    since_utc_s: float
    until_utc_s: float
    width_s: float
    parts: tuple[TrendPart, ...]


def trend(
    connection: sqlite3.Connection, collector: str, until_utc_s: float, length_s: float, most: int
) -> Trend:
    """The trend of the ``length_s`` before ``until_utc_s``, in at most ``most`` parts."""
    grain_s = 60.0 if length_s <= FROM_HOURS_S else HOUR_S
    # Parts begin at whole multiples of their width, so that a trend does not shimmer as time
    # goes on; the one under way is among them. Widths that go into a day, or whole days: others
    # would beat with the shifts of a plant.
    narrowest_s = length_s / (most - 1)
    width_s = next(
        (width for width in _WIDTHS_S if width >= max(grain_s, narrowest_s)),
        _DAY_S * ceil(narrowest_s / _DAY_S),
    )
    until_s = ceil(until_utc_s / width_s) * width_s
    since_s = until_s - width_s * ceil(length_s / width_s)
    rows = connection.execute(
        _MINUTES if grain_s < HOUR_S else _HOURS,
        {
            "collector": collector,
            "since": since_s,
            "until": until_s,
            "width": width_s,
            "first_hour": int(since_s // HOUR_S),
        },
    )
    parts = tuple(
        TrendPart(since_s + part * width_s, _spread(*of[:4]), _spread(*of[4:]))
        for part, *of in rows
        if part >= 0
    )
    return Trend(since_s, until_s, width_s, parts)


def _spread(min_pa: object, sum_pa: float, weight: float, max_pa: object) -> Spread | None:
    # Anything else than a number is no reading, or a damaged one.
    if not isinstance(min_pa, float) or not isinstance(max_pa, float) or not weight:
        return None
    return Spread(min_pa, sum_pa / weight, max_pa)
