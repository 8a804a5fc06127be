"""Limits within which set points may be changed by request, so that no other rule of the settings
is broken."""

from collections.abc import Iterator
from dataclasses import dataclass
from math import inf, nextafter
from typing import Any

from dustcake.core import setpoints as core
from dustcake.core.requests.kinds import SetPoint
from dustcake.core.setpoints import OutputKind
from dustcake.settings.cleaning import (
    LONGEST_ON_TIME_S,
    SHORTEST_ON_TIME_S,
    WATCHDOG_BEYOND_PULSE_S,
)
from dustcake.settings.model import Collector
from dustcake.units import Pressure, PressureUnit, show_with_pa

Band = tuple[float, float]

# How much less and how much more than the file's own value, where it gives no limits: a choice of
# ours.
_A_QUARTER: Band = (0.75, 1.25)
_A_FACTOR_OF_TWO: Band = (0.5, 2.0)


@dataclass(frozen=True, slots=True)
class AdjustableSetPoint:
    """One set point, called ``name`` by people and set at ``setting`` in the table of a collector:
    its ``value`` in the file, the limits ``chosen`` there, and those that the ``rules`` of the
    other settings leave it; all in SI units."""

    point: SetPoint
    name: str
    setting: str
    value: float
    chosen: Band | None
    rules: Band
    around: Band

    @property
    def band(self) -> Band:
        """From where to where it may be changed."""
        least, most = self.chosen or (self.around[0] * self.value, self.around[1] * self.value)
        return max(least, self.rules[0]), min(most, self.rules[1])

    def shown(self, value: float, unit: PressureUnit) -> str:
        """``value`` of it for people, a pressure in ``unit``."""
        is_pressure = self.point in (SetPoint.LOW, SetPoint.HIGH)
        return show_with_pa(value, unit) if is_pressure else f"{value:g} s"


_LOW = (SetPoint.LOW, "low set point", "cleaning.low")
_HIGH = (SetPoint.HIGH, "high set point", "cleaning.high")
_INTERVAL = (SetPoint.INTERVAL, "interval", "pulsing.interval_s")
_ON_TIME = (SetPoint.ON_TIME, "on-time", "pulsing.on_time_s")


def adjustable(collector: Collector) -> Iterator[AdjustableSetPoint]:
    """What ``collector`` lets people change by request."""
    requests, cleaning, pulsing = collector.requests, collector.cleaning, collector.pulsing
    if not requests.set_points:
        return
    low, high = (None if each is None else _pa(each) for each in (requests.low, requests.high))
    yield AdjustableSetPoint(*_LOW, cleaning.low.pa, low, _low_rules(collector), _A_QUARTER)
    below_pa = nextafter(collector.alarms.replacement.pa, -inf)
    yield AdjustableSetPoint(*_HIGH, cleaning.high.pa, high, (0.0, below_pa), _A_QUARTER)
    if collector.outputs.kind is OutputKind.DEMAND_CONTACT:
        return  # the sequencer board has settings of its own
    longest_s = min(3600.0, cleaning.timed_interval_s or inf, collector.fallback_interval_s)
    intervals = (1.0, longest_s)
    yield AdjustableSetPoint(
        *_INTERVAL, pulsing.interval_s, requests.interval_s, intervals, _A_FACTOR_OF_TWO
    )
    most_s, watchdog = LONGEST_ON_TIME_S, collector.outputs.watchdog
    if watchdog is not None:
        most_s = min(most_s, watchdog.timeout_s - WATCHDOG_BEYOND_PULSE_S)
    on_times = (SHORTEST_ON_TIME_S, most_s)
    yield AdjustableSetPoint(*_ON_TIME, pulsing.on_time_s, requests.on_time_s, on_times, _A_QUARTER)


def to_adjusting(collector: Collector) -> core.Adjusting:
    """The same as the core has it."""
    bands: dict[str, Any] = {each.point.value: each.band for each in adjustable(collector)}
    outputs = collector.outputs
    return core.Adjusting(
        **bands,
        on_time_step_s=inf
        if outputs.one_shot_register is None
        else outputs.one_shot_ms_per_count / 1000.0,
        timed_follows=collector.cleaning.timed_interval_s is None,
        confirm_within_s=collector.requests.confirm_within_s,
    )


def _pa(band: tuple[Pressure, Pressure]) -> Band:
    return band[0].pa, band[1].pa


def _low_rules(collector: Collector) -> Band:
    """Above what must stay below the low set point, and far enough below filter replacement."""
    alarms = collector.alarms
    above_pa = max(alarms.low.pa + alarms.deadband.pa, collector.zero_limit_pa)
    if collector.contacts.blower_running is None:
        above_pa = max(above_pa, collector.blower.flow_proof.pa)
    below_pa = alarms.replacement.pa - alarms.deadband.pa
    return _inside(above_pa), -_inside(-below_pa)


def _inside(above: float) -> float:
    """Just above ``above``, by more than what sums of decimals are rounded by."""
    return above + 1e-9 * max(1.0, abs(above))
