"""Residual dP since the filter change, in a bounded number of points."""

from dustcake.core.filter_life.forecast import Point
from dustcake.core.filter_life.trend import median
from dustcake.core.record import record, replace

MOST_POINTS = 48
MOST_CONDITIONS = 6
FIRST_WIDTH_H = 1.0
_READINGS_A_POINT = 16  # at most, evenly spread: timed cleaning would bring thousands


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
    """Neighbours of one level made one, in pairs, each weighted by its readings."""
    merged: list[Point] = []
    waiting: Point | None = None
    for point in points:
        if waiting is None:
            waiting = point
        elif waiting.level != point.level:
            merged.append(waiting)
            waiting = point
        else:
            merged.append(_mean(waiting, point))
            waiting = None
    return tuple(merged if waiting is None else [*merged, waiting])


def _mean(a: Point, b: Point) -> Point:
    count = a.count + b.count
    hours = (a.hours * a.count + b.hours * b.count) / count
    pa = (a.pa * a.count + b.pa * b.count) / count
    return Point(round(hours, 3), round(pa, 2), count, a.level)


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
