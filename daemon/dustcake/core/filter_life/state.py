"""What is remembered of the filters: cleaning that has not helped, and residual dP since the filter
change, in a bounded number of points."""

from itertools import groupby
from operator import attrgetter
from statistics import fmean, median

from dustcake.core.cleaning.state import ClosedTime
from dustcake.core.filter_life.forecast import Forecast, Point
from dustcake.core.record import record, replace

HOUR_S, DAY_S = 3600.0, 86_400.0
MOST_POINTS = 48
MOST_CONDITIONS = 6
FIRST_WIDTH_H = 1.0
_READINGS_A_POINT = 16  # at most, evenly spread: timed cleaning would bring thousands
_USE_SHORTEST_S = 3 * DAY_S


@record
class ReplacementState:
    """``above``: dP has reached the replacement set point and not fallen clearly below it since.

    What cleaning has run in that time with good air: whole ``pulses``, or for a sequencer board how
    long the demand contact has been ``closed``. ``fresh``: the filters have been changed, as
    somebody has recorded, and cleaning has not failed to help the new ones since. All kept through
    restarts and blower stops.
    """

    above: bool = False
    pulses: int = 0
    closed: ClosedTime = ClosedTime()
    fresh: bool = False


@record
class Conditions:
    """Under what a residual was read. What differs here shifts the level without the filters
    having changed. ``full_cycle``: each valve had pulsed once; ``zero``: the zero offset, rounded
    to what would not be noticed; ``moved``: how often the level has been moved, as by a damper."""

    kind: str
    full_cycle: bool
    low_pa: float
    high_pa: float
    zero: int
    moved: int


@record
class Residuals:
    """``points`` closed so far, at most ``MOST_POINTS``, oldest first; their ``level`` is the place
    of their conditions in ``conditions``. ``width_h``: blower hours of one point. The point under
    way: its ``readings`` (hours and Pa), all under the conditions at ``level``."""

    points: tuple[Point, ...] = ()
    conditions: tuple[Conditions, ...] = ()
    width_h: float = FIRST_WIDTH_H
    readings: tuple[tuple[float, float], ...] = ()
    level: int = 0

    def wants(self, hours: float) -> bool:
        """Whether a reading at ``hours`` (blower hours since the change) would be kept."""
        return not self.readings or hours >= self.readings[-1][0] + self.width_h / _READINGS_A_POINT

    def with_reading(self, hours: float, pa: float, conditions: Conditions) -> "Residuals":
        """The same with one more reading; other conditions begin another point."""
        gathered = self
        if gathered.readings and (
            hours >= gathered.readings[0][0] + gathered.width_h
            or gathered.conditions[gathered.level] != conditions
        ):
            gathered = gathered.closed()
        if conditions not in gathered.conditions:
            gathered = _with_conditions(gathered, conditions)
        level = gathered.conditions.index(conditions)
        return replace(gathered, level=level, readings=(*gathered.readings, (hours, pa)))

    def closed(self) -> "Residuals":
        """The point under way is complete."""
        if not self.readings:
            return self
        hours = median([h for h, _ in self.readings])
        pa = median([p for _, p in self.readings])
        point = Point(round(hours, 3), round(pa, 2), len(self.readings), self.level)
        points, width_h = (*self.points, point), self.width_h
        if len(points) > MOST_POINTS:
            points, width_h = _merged(points), width_h * 2
        return replace(self, points=points[-MOST_POINTS:], width_h=width_h, readings=())


def _merged(points: tuple[Point, ...]) -> tuple[Point, ...]:
    """Neighbours of one level made one, in pairs."""
    merged = []
    for _, neighbours in groupby(points, key=attrgetter("level")):
        run = list(neighbours)
        merged += [_mean(run[i : i + 2]) for i in range(0, len(run), 2)]
    return tuple(merged)


def _mean(points: list[Point]) -> Point:
    """Each weighted by its readings."""
    counts = [point.count for point in points]
    hours = fmean([point.hours for point in points], counts)
    pa = fmean([point.pa for point in points], counts)
    return Point(round(hours, 3), round(pa, 2), sum(counts), points[0].level)


def _with_conditions(residuals: Residuals, conditions: Conditions) -> Residuals:
    """Room for new conditions: those not seen for the longest go, with their points."""
    known, points = residuals.conditions, residuals.points
    if len(known) == MOST_CONDITIONS:
        last_h = [
            max((p.hours for p in points if p.level == i), default=0.0) for i in range(len(known))
        ]
        gone = last_h.index(min(last_h))
        known = known[:gone] + known[gone + 1 :]
        points = tuple(
            replace(p, level=p.level - (p.level > gone)) for p in points if p.level != gone
        )
    return replace(residuals, conditions=(*known, conditions), points=points)


@record
class Due:
    """A residual to be read at ``at_s``."""

    at_s: float
    kind: str
    full_cycle: bool


@record
class FilterLife:
    """``installed_s``: blower running time when the whole set was changed. ``moved``: how often the
    level has been moved since, by a damper or by new filters in some rows.
    ``run_counted``: full cycles of the run under way that have been seen. ``use``: from time to
    time UTC seconds and blower hours since the change, oldest first. ``reported_h``: when the
    forecast was last reported as an event."""

    installed_s: float = 0.0
    residuals: Residuals = Residuals()
    moved: int = 0
    run_counted: int = 0
    due: Due | None = None
    use: tuple[tuple[float, float], ...] = ()
    forecast: Forecast | None = None
    reported_h: float = 0.0

    def hours(self, blower_run_s: float) -> float:
        """Blower hours since the filter change; ``blower_run_s``: its running time ever."""
        return max(0.0, blower_run_s - self.installed_s) / HOUR_S

    def use_h_per_day(self) -> float | None:
        """Blower hours a day, as used in the last weeks; None where that is not known yet."""
        if not self.use or self.use[-1][0] - self.use[0][0] < _USE_SHORTEST_S:
            return None
        (from_s, from_h), (to_s, to_h) = self.use[0], self.use[-1]
        return (to_h - from_h) / ((to_s - from_s) / DAY_S)
