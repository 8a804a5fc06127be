"""A trend as SVG: lines of the mean, the range around it, and the band between the set points.

No colours here: what each thing is says its class, and the page's style sheet does the rest.
"""

from datetime import UTC, datetime, timedelta, timezone
from math import ceil, floor, log10
from xml.sax.saxutils import escape

from dustcake.adapters.panel.source import TrendColumns
from dustcake.units import PressureUnit, from_pa, show

HEIGHT = 260
NARROWEST, WIDEST = 280, 1600
LEFT, RIGHT, TOP, BOTTOM = 52, 12, 12, 28
_TIME_STEPS_S = (600, 1800, 3600, 7200, 14_400, 21_600, 43_200)
_DAY_S = 86_400


def trend_svg(
    trend: TrendColumns,
    set_points_pa: dict[str, float],
    unit: PressureUnit,
    *,
    zone_min: int = 0,
    width: int = 720,
) -> str:
    """The picture, ``width`` pixels wide. ``set_points_pa``: `low`, `high` and `replacement`;
    ``zone_min``: minutes that the viewer's clock is ahead of UTC."""
    zone = timezone(timedelta(minutes=zone_min))
    picture = _Picture(trend, set_points_pa, unit, zone, max(NARROWEST, min(WIDEST, width)))
    return picture.svg()


class _Picture:
    def __init__(
        self,
        trend: TrendColumns,
        set_points_pa: dict[str, float],
        unit: PressureUnit,
        zone: timezone,
        width: int,
    ) -> None:
        self._width = width
        self._trend = trend
        self._points = {name: from_pa(pa, unit) for name, pa in set_points_pa.items()}
        self._unit = unit
        self._zone = zone
        highest = [from_pa(pa, unit) for pa in trend.dp_max_pa if pa is not None]
        lowest = [from_pa(pa, unit) for pa in trend.dp_min_pa if pa is not None]
        top = max([*highest, *self._points.values()], default=1.0)
        bottom = min([0.0, *lowest])
        self._step = _step(top - bottom)
        # A reading a little below zero, as with the blower off, is no reason for another line.
        below = floor(bottom / self._step) * self._step
        self._low = below if bottom < -self._step / 4 else 0.0
        self._high = max(ceil(top / self._step) * self._step, self._low + self._step)

    def svg(self) -> str:
        parts = [
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {self._width} {HEIGHT}" '
            'class="trend" role="img" aria-labelledby="trend-title">',
            f'<title id="trend-title">{escape(self._title())}</title>',
            *self._band(),
            *self._grid(),
            *self._times(),
            *self._curves(),
            *self._set_points(),
        ]
        return "".join([*parts, "</svg>"])

    def _title(self) -> str:
        means = [pa for pa in self._trend.dp_mean_pa if pa is not None]
        if not means:
            return "dP: nothing was read in this time"
        low = min(pa for pa in self._trend.dp_min_pa if pa is not None)
        high = max(pa for pa in self._trend.dp_max_pa if pa is not None)
        return f"dP from {show(low, self._unit)} to {show(high, self._unit)}"

    def _x(self, utc_s: float) -> float:
        span_s = self._trend.until_utc_s - self._trend.since_utc_s
        share = (utc_s - self._trend.since_utc_s) / span_s
        return LEFT + share * (self._width - LEFT - RIGHT)

    def _y(self, value: float) -> float:
        share = max(0.0, (value - self._low) / (self._high - self._low))
        return HEIGHT - BOTTOM - share * (HEIGHT - TOP - BOTTOM)

    def _text(self, value: float) -> str:
        return f"{value:.{max(0, -floor(log10(self._step)))}f}"

    def _band(self) -> list[str]:
        if "low" not in self._points or "high" not in self._points:
            return []
        top, bottom = self._y(self._points["high"]), self._y(self._points["low"])
        return [
            f'<rect class="band" x="{LEFT}" y="{top:.1f}" width="{self._width - LEFT - RIGHT}" '
            f'height="{bottom - top:.1f}"/>'
        ]

    def _grid(self) -> list[str]:
        parts = []
        right = self._width - RIGHT
        for number in range(round((self._high - self._low) / self._step) + 1):
            value = self._low + number * self._step
            y = self._y(value)
            parts.append(
                f'<line class="grid" x1="{LEFT}" x2="{right}" y1="{y:.1f}" y2="{y:.1f}"/>'
                f'<text class="scale" x="{LEFT - 6}" y="{y + 4:.1f}">{self._text(value)}</text>'
            )
        return parts

    def _times(self) -> list[str]:
        since_s, until_s = self._trend.since_utc_s, self._trend.until_utc_s
        wanted_s = (until_s - since_s) * 100 / self._width
        step_s = next((step for step in _TIME_STEPS_S if step >= wanted_s), None)
        if step_s is None:
            step_s = ceil(wanted_s / _DAY_S) * _DAY_S
        pattern = "%H:%M" if step_s < _DAY_S else "%d %b"
        ahead_s = self._zone.utcoffset(None).total_seconds()
        parts = []
        at_s = ceil((since_s + ahead_s) / step_s) * step_s - ahead_s
        while at_s < until_s:
            label = datetime.fromtimestamp(at_s, UTC).astimezone(self._zone).strftime(pattern)
            x = self._x(at_s)
            at_s += step_s
            if x > self._width - RIGHT - 16:  # its label would be cut off
                break
            parts.append(
                f'<line class="tick" x1="{x:.1f}" x2="{x:.1f}" y1="{HEIGHT - BOTTOM}" '
                f'y2="{HEIGHT - BOTTOM + 5}"/>'
                f'<text class="time" x="{x:.1f}" y="{HEIGHT - 8}">{label}</text>'
            )
        return parts

    def _curves(self) -> list[str]:
        parts = []
        for run in self._runs():
            upper = [self._place(at, self._trend.dp_max_pa[at]) for at in run]
            lower = [self._place(at, self._trend.dp_min_pa[at]) for at in reversed(run)]
            mean = [self._place(at, self._trend.dp_mean_pa[at]) for at in run]
            parts.append(f'<polygon class="range" points="{" ".join(upper + lower)}"/>')
            parts.append(f'<polyline class="mean" points="{" ".join(mean)}"/>')
        return parts

    def _runs(self) -> list[list[int]]:
        """Indices of parts that follow one another: a gap is a gap in the line."""
        runs: list[list[int]] = []
        before_s = float("-inf")
        for at, utc_s in enumerate(self._trend.utc_s):
            if self._trend.dp_mean_pa[at] is None:
                continue
            if utc_s - before_s > 1.5 * self._trend.width_s:
                runs.append([])
            runs[-1].append(at)
            before_s = utc_s
        return runs

    def _place(self, at: int, pa: float | None) -> str:
        assert pa is not None  # a run has readings only
        middle_s = self._trend.utc_s[at] + self._trend.width_s / 2
        return f"{self._x(middle_s):.1f},{self._y(from_pa(pa, self._unit)):.1f}"

    def _set_points(self) -> list[str]:
        parts = []
        right = self._width - RIGHT
        for name, value in self._points.items():
            y = self._y(value)
            parts.append(
                f'<line class="set-point {name}" x1="{LEFT}" x2="{right}" y1="{y:.1f}" '
                f'y2="{y:.1f}"/>'
                f'<text class="set-point {name}" x="{right - 4}" y="{y - 4:.1f}">{name}'
                "</text>"
            )
        return parts


def _step(span: float) -> float:
    """A round distance between grid lines, four to eight of them over ``span``."""
    rough = max(span, 1e-6) / 5
    power: float = 10.0 ** floor(log10(rough))
    return next(power * factor for factor in (1, 2, 5, 10) if power * factor >= rough)
