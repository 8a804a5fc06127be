"""A trend as SVG: lines of the mean, the range around it, and the band between the set points.

No colours here: what each thing is says its class, and the page's style sheet does the rest.
"""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from math import ceil, floor, log10
from xml.etree.ElementTree import Element, SubElement, tostring

from dustcake.core.minutes import Spread
from dustcake.ports import Trend
from dustcake.units import PressureUnit, show

HEIGHT = 260
NARROWEST, WIDEST = 280, 1600
LEFT, RIGHT, TOP, BOTTOM = 52, 12, 12, 28
_TIME_STEPS_S = (600, 1800, 3600, 7200, 14_400, 21_600, 43_200)
_DAY_S = 86_400


class TrendPicture:
    """The picture, ``width`` pixels wide. ``set_points_pa``: `low`, `high` and `replacement`;
    ``zone_min``: minutes that the viewer's clock is ahead of UTC."""

    def __init__(
        self,
        trend: Trend,
        set_points_pa: Mapping[str, float],
        unit: PressureUnit,
        *,
        zone_min: int = 0,
        width: int = 720,
    ) -> None:
        self._right = width - RIGHT
        self._trend = trend
        self._points = {name: pa / unit.pa for name, pa in set_points_pa.items()}
        self._unit = unit
        self._ahead_s = 60.0 * zone_min
        highest = [spread.max_pa / unit.pa for _, spread in trend.parts]
        lowest = [spread.min_pa / unit.pa for _, spread in trend.parts]
        top, bottom = max([*highest, *self._points.values()]), min([0.0, *lowest])
        self._step = _step(top - bottom)
        # A reading a little below zero, as with the blower off, is no reason for another line.
        below = floor(bottom / self._step) * self._step
        self._low = below if bottom < -self._step / 4 else 0.0
        self._high = max(ceil(top / self._step) * self._step, self._low + self._step)
        self._picture = Element(
            "svg",
            {
                "xmlns": "http://www.w3.org/2000/svg",
                "viewBox": f"0 0 {width} {HEIGHT}",
                "class": "trend",
                "role": "img",
                "aria-labelledby": "trend-title",
            },
        )

    def svg(self) -> str:
        """The whole picture."""
        SubElement(self._picture, "title", {"id": "trend-title"}).text = self._title()
        top, bottom = self._y(self._points["high"]), self._y(self._points["low"])
        self._draw("rect", "band", x=LEFT, y=top, width=self._right - LEFT, height=bottom - top)
        self._draw_grid()
        self._draw_times()
        for run in self._runs():
            self._draw_run(run)
        for name, value in self._points.items():
            self._draw_level(f"set-point {name}", value)
            y = self._y(value) - 4
            self._draw("text", f"set-point {name}", name, x=self._right - 4, y=y)
        return tostring(self._picture, encoding="unicode")

    def _draw(self, name: str, kind: str, text: str | None = None, **places: float | str) -> None:
        attributes = {
            key: f"{place:.1f}" if isinstance(place, float) else str(place)
            for key, place in places.items()
        }
        SubElement(self._picture, name, {"class": kind, **attributes}).text = text

    def _draw_level(self, kind: str, value: float) -> None:
        y = self._y(value)
        self._draw("line", kind, x1=LEFT, x2=self._right, y1=y, y2=y)

    def _title(self) -> str:
        if not self._trend.parts:
            return "dP: nothing was read in this time"
        low = min(spread.min_pa for _, spread in self._trend.parts)
        high = max(spread.max_pa for _, spread in self._trend.parts)
        return f"dP from {show(low, self._unit)} to {show(high, self._unit)}"

    def _x(self, utc_s: float) -> float:
        span_s = self._trend.until_utc_s - self._trend.since_utc_s
        return LEFT + (utc_s - self._trend.since_utc_s) / span_s * (self._right - LEFT)

    def _y(self, value: float) -> float:
        share = max(0.0, (value - self._low) / (self._high - self._low))
        return HEIGHT - BOTTOM - share * (HEIGHT - TOP - BOTTOM)

    def _draw_grid(self) -> None:
        digits = max(0, -floor(log10(self._step)))
        for number in range(round((self._high - self._low) / self._step) + 1):
            value = self._low + number * self._step
            self._draw_level("grid", value)
            self._draw("text", "scale", f"{value:.{digits}f}", x=LEFT - 6, y=self._y(value) + 4)

    def _draw_times(self) -> None:
        since_s, until_s = self._trend.since_utc_s, self._trend.until_utc_s
        wanted_s = (until_s - since_s) * 100 / (self._right + RIGHT)
        days_s = ceil(wanted_s / _DAY_S) * _DAY_S
        step_s = next((step for step in _TIME_STEPS_S if step >= wanted_s), days_s)
        pattern = "%H:%M" if step_s < _DAY_S else "%d %b"
        bottom = HEIGHT - BOTTOM
        local_s = ceil((since_s + self._ahead_s) / step_s) * step_s
        # A label further to the right would be cut off.
        while (x := self._x(local_s - self._ahead_s)) <= self._right - 16:
            label = datetime.fromtimestamp(local_s, UTC).strftime(pattern)
            self._draw("line", "tick", x1=x, x2=x, y1=bottom, y2=bottom + 5)
            self._draw("text", "time", label, x=x, y=HEIGHT - 8)
            local_s += step_s

    def _runs(self) -> list[list[tuple[float, Spread]]]:
        """Parts that follow one another: a gap is a gap in the line."""
        runs: list[list[tuple[float, Spread]]] = []
        before_s = float("-inf")
        for utc_s, spread in self._trend.parts:
            if utc_s - before_s > 1.5 * self._trend.width_s:
                runs.append([])
            runs[-1].append((utc_s + self._trend.width_s / 2, spread))
            before_s = utc_s
        return runs

    def _draw_run(self, run: Sequence[tuple[float, Spread]]) -> None:
        upper = [self._place(middle_s, spread.max_pa) for middle_s, spread in run]
        lower = [self._place(middle_s, spread.min_pa) for middle_s, spread in reversed(run)]
        mean = [self._place(middle_s, spread.mean_pa) for middle_s, spread in run]
        self._draw("polygon", "range", points=" ".join(upper + lower))
        self._draw("polyline", "mean", points=" ".join(mean))

    def _place(self, utc_s: float, pa: float) -> str:
        return f"{self._x(utc_s):.1f},{self._y(pa / self._unit.pa):.1f}"


def _step(span: float) -> float:
    """A round distance between grid lines, four to eight of them over ``span``."""
    rough = max(span, 1e-6) / 5
    power: float = 10.0 ** floor(log10(rough))
    return next(power * factor for factor in (1, 2, 5, 10) if power * factor >= rough)
