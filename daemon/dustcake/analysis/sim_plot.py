"""Curves of a simulated run: dP, flow, header pressure, and the cake on each row.

Needs matplotlib, from the `analysis` extra, and imports it only when something is drawn.
"""

from array import array
from collections.abc import Sequence
from importlib.util import find_spec
from pathlib import Path

from dustcake_sim.closed_loop import ClosedLoop

_MOST_POINTS = 6000
_FIRST_EVERY_S = 1.0


class PlotError(Exception):
    """Why there is no picture, and the remedy."""


def require_matplotlib() -> None:
    """Raises PlotError where there is no matplotlib."""
    if find_spec("matplotlib") is None:
        raise PlotError(
            "--plot draws with matplotlib, which is not installed: install the `analysis` extra"
            ' (pip install "dustcake[analysis]"), or leave --plot out'
        )


class Curves:
    """A record of a run that stays small however long it is: when full, every other point goes.

    Of what happens between two points the extremes of dP are kept, so that a short peak shows.
    """

    def __init__(self, rows: int) -> None:
        self.t_s = array("d")
        self.dp_low_pa = array("d")
        self.dp_high_pa = array("d")
        self.flow_m3_s = array("d")
        self.header_pa = array("d")
        self.cake_kg_m2 = [array("d") for _ in range(rows)]
        self._every_s = _FIRST_EVERY_S
        self._next_s = 0.0
        self._low_pa, self._high_pa = float("inf"), float("-inf")

    def watch(self, loop: ClosedLoop) -> None:
        """Take in the present moment of a run."""
        one = loop.field.collector
        dp_pa = one.point.dp_pa
        self._low_pa, self._high_pa = min(self._low_pa, dp_pa), max(self._high_pa, dp_pa)
        if loop.t_s < self._next_s:
            return
        self.t_s.append(loop.t_s)
        self.dp_low_pa.append(self._low_pa)
        self.dp_high_pa.append(self._high_pa)
        self.flow_m3_s.append(one.point.flow_m3_s)
        self.header_pa.append(one.state.header_gauge_pa)
        for curve, cake in zip(self.cake_kg_m2, one.state.cake_kg_m2, strict=True):
            curve.append(cake)
        self._low_pa, self._high_pa = float("inf"), float("-inf")
        self._next_s = loop.t_s + self._every_s
        if len(self.t_s) >= _MOST_POINTS:
            self._thin_out()

    def _thin_out(self) -> None:
        for low, high in zip(
            range(0, len(self.t_s) - 1, 2), range(1, len(self.t_s), 2), strict=True
        ):
            self.dp_low_pa[high] = min(self.dp_low_pa[low], self.dp_low_pa[high])
            self.dp_high_pa[high] = max(self.dp_high_pa[low], self.dp_high_pa[high])
        for curve in (
            self.t_s,
            self.dp_low_pa,
            self.dp_high_pa,
            self.flow_m3_s,
            self.header_pa,
            *self.cake_kg_m2,
        ):
            curve[:] = curve[1::2]
        self._every_s *= 2.0


def draw(curves: Curves, path: Path, title: str, set_points_pa: Sequence[float]) -> None:
    """Draw the curves into `path`; its ending names the format. Raises PlotError."""
    require_matplotlib()
    from matplotlib.figure import Figure

    span_s = curves.t_s[-1] - curves.t_s[0] if curves.t_s else 0.0
    unit_s, unit = (86_400.0, "days") if span_s > 3 * 86_400.0 else (3600.0, "hours")
    times = [t_s / unit_s for t_s in curves.t_s]
    figure = Figure(figsize=(11.0, 9.0), layout="constrained")
    figure.suptitle(f"{title} (simulated)")
    dp, flow, header, cake = figure.subplots(4, 1, sharex=True)
    dp.fill_between(times, curves.dp_low_pa, curves.dp_high_pa, step=None, alpha=0.3)
    dp.plot(times, curves.dp_high_pa, linewidth=0.8)
    for level_pa in set_points_pa:
        dp.axhline(level_pa, linewidth=0.6, linestyle="--", color="0.4")
    dp.set_ylabel("dP, Pa")
    flow.plot(times, curves.flow_m3_s, linewidth=0.8)
    flow.set_ylabel("flow, m3/s")
    header.plot(times, [pa / 1e5 for pa in curves.header_pa], linewidth=0.8)
    header.set_ylabel("header, bar gauge")
    for number, row in enumerate(curves.cake_kg_m2, start=1):
        cake.plot(times, row, linewidth=0.8, label=f"row {number}")
    cake.set_ylabel("cake, kg/m2")
    cake.legend(loc="upper right", fontsize="small", ncols=2)
    cake.set_xlabel(unit)
    try:
        figure.savefig(path, dpi=120)
    except (OSError, ValueError) as error:
        raise PlotError(
            f"--plot {path}: {error}; name a writable file that ends in .png, .svg or .pdf"
        ) from None
