"""What is remembered of the filters: cleaning that has not helped, and residual dP."""

from dustcake.core.cleaning.state import ClosedTime
from dustcake.core.filter_life.forecast import Forecast
from dustcake.core.filter_life.points import Residuals
from dustcake.core.record import record


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


HOUR_S = 3600.0


_USE_SHORTEST_S = 3 * 86_400.0


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
    time UTC seconds and blower hours since the change, oldest first. ``told_h``: when the forecast
    was last told as an event."""

    installed_s: float = 0.0
    residuals: Residuals = Residuals()
    moved: int = 0
    run_counted: int = 0
    due: Due | None = None
    use: tuple[tuple[float, float], ...] = ()
    forecast: Forecast | None = None
    told_h: float = 0.0

    def hours(self, blower_run_s: float) -> float:
        """Blower hours since the filter change; ``blower_run_s``: its running time ever."""
        return max(0.0, blower_run_s - self.installed_s) / HOUR_S

    def use_h_per_day(self) -> float | None:
        """Blower hours a day, as used in the last weeks; None where that is not known yet."""
        if not self.use or self.use[-1][0] - self.use[0][0] < _USE_SHORTEST_S:
            return None
        (from_s, from_h), (to_s, to_h) = self.use[0], self.use[-1]
        return (to_h - from_h) / ((to_s - from_s) / 86_400.0)
