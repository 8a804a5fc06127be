"""From the settings of a collector to what its decisions depend on, in SI units, and the limits
within which people may change some of it by request.

Most fields of the core's records have the name of their setting, or that name with the SI unit at
its end; ``_by_rule`` takes them over, so that such a setting is named here nowhere. What is named
differs: it comes from several settings, or what holds where it is left out depends on others.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, fields
from math import inf, nextafter
from operator import attrgetter
from typing import Any, TypeVar

from dustcake.core import setpoints as core
from dustcake.core.record import replace
from dustcake.core.requests.kinds import SetPoint
from dustcake.core.setpoints import OutputKind, SignalKind
from dustcake.settings.base import Section
from dustcake.settings.buses import AnalogInput, HeaderInput
from dustcake.settings.cleaning import (
    LONGEST_ON_TIME_S,
    SHORTEST_ON_TIME_S,
    WATCHDOG_BEYOND_PULSE_S,
)
from dustcake.settings.model import Collector
from dustcake.settings.monitoring import DEFAULT_ALARMS
from dustcake.units import Pressure, PressureUnit, parse_pressure, show_with_pa

LOOP_LOW_MA = 4.0
LOOP_HIGH_MA = 20.0
MICROAMPERES = (4000, 20000)

Record = TypeVar("Record")
Band = tuple[float, float]


def to_setpoints(collector: Collector) -> core.Setpoints:
    """The set points of ``collector``, which must come from a loaded, and so checked, file."""
    alarms, header, order = collector.alarms, collector.header, collector.order
    pulsing, kind = collector.pulsing, collector.outputs.kind
    overrides = {
        name: override.model_dump(exclude_none=True) for name, override in alarms.override.items()
    }
    # Given for a demand contact, and only there.
    cycle_s = pulsing.sequencer_cycle_s or len(order) * pulsing.interval_s
    is_unproved = collector.blower.timed_without_proof is not None
    reference = parse_pressure(collector.air.reference)
    return core.Setpoints(
        collector=collector.name,
        dp=to_scale(collector.transmitter),
        header=None if header is None else to_scale(header),
        # With none fitted the core compares nothing with these.
        header_limits=_by_rule(core.HeaderLimits, header or HeaderInput.model_construct()),
        fitted=core.Fitted(**{name: each is not None for name, each in collector.contacts}),
        stale_after_s=collector.stale_s,
        settle_s=collector.settle_s,
        outputs_retry_s=collector.outputs.retry_s,
        cleaning=_by_rule(
            core.Cleaning,
            collector.cleaning,
            timed_interval_s=collector.timed_interval_s,
            fallback_interval_s=collector.fallback_interval_s,
        ),
        pulsing=_by_rule(core.Pulsing, pulsing, kind=kind, order=order, sequencer_cycle_s=cycle_s),
        alarms=tuple(
            replace(default, **overrides.get(name, {})) for name, default in DEFAULT_ALARMS.items()
        ),
        limits=_by_rule(core.AlarmLimits, alarms),
        alarm_rules=_by_rule(core.AlarmRules, alarms),
        zeroing=_by_rule(core.Zeroing, collector.zeroing, limit_pa=collector.zero_limit_pa),
        blower=_by_rule(core.Blower, collector.blower, timed_unproved=is_unproved),
        maintenance=tuple(_by_rule(core.MaintenanceSetting, each) for each in collector.upkeep),
        edited_by=collector.edited_by or "",
        adjusting=_adjusting(collector),
        air=_by_rule(core.Air, collector.air, reference_pa=reference.pa),
        seasoning_h=collector.filter_life.seasoning_h,
        signal_validation=_trust(collector),
        pulse_response=_by_rule(core.PulseResponseSetting, collector.diagnosis),
    )


# How a field in SI ends, how the setting ends that it comes from, and the conversion.
_FROM: tuple[tuple[str, str, Callable[[Any], float]], ...] = (
    ("_pa", "", lambda pressure: pressure.pa),
    ("_s", "_h", lambda hours: hours * 3600.0),
    ("_s", "_days", lambda days: days * 86_400.0),
    ("_m3", "_l", lambda litres: litres * 0.001),
)


def _by_rule(record: Callable[..., Record], section: Section, **given: object) -> Record:
    """A ``record`` of the core from ``section``, but for what is ``given``. Raises KeyError for a
    field without a setting."""
    names = [field.name for field in fields(record)]  # type: ignore[arg-type]
    return record(**{name: _taken(section, name) for name in names if name not in given}, **given)


def _taken(section: Section, name: str) -> object:
    settings = type(section).model_fields
    if name in settings:
        return getattr(section, name)
    for si_unit, unit, to_si in _FROM:
        setting = name.removesuffix(si_unit) + unit
        if name.endswith(si_unit) and setting in settings:
            value = getattr(section, setting)
            return None if value is None else to_si(value)
    raise KeyError(f"{type(section).__name__} has no setting for {name}")


def to_scale(analog: AnalogInput) -> core.Scale:
    """How the registers of ``analog`` become pascals."""
    low_pa, high_pa = (end.pa for end in analog.span)
    first, last = analog.counts or MICROAMPERES
    at_low, at_high, ma_per_count = float(first), float(last), 0.001
    if analog.kind is SignalKind.CURRENT:
        at_low, at_high = LOOP_LOW_MA, LOOP_HIGH_MA
        ma_per_count = (LOOP_HIGH_MA - LOOP_LOW_MA) / (last - first)
    gain_pa = (high_pa - low_pa) / (at_high - at_low)
    offset_pa = low_pa - at_low * gain_pa
    if analog.kind is SignalKind.FLOAT32:
        offset_pa, gain_pa = 0.0, analog.span[0].unit.pa
    return core.Scale(
        kind=analog.kind,
        offset_pa=offset_pa,
        gain_pa=gain_pa,
        span_low_pa=low_pa,
        span_high_pa=high_pa,
        ma_per_count=ma_per_count,
        word_order=analog.word_order,
    )


def _trust(collector: Collector) -> core.ValidationSetting:
    span_pa, zero_pa = collector.span_pa, collector.zero_limit_pa
    left_out = {
        "jump": 0.1 * span_pa,
        "frozen_within": 1e-5 * span_pa,
        "no_dp": zero_pa,
        "zero_drift": 0.5 * zero_pa,
        "not_zero": 0.05 * span_pa,
    }
    trust = collector.trust
    instead = {f"{name}_pa": pa for name, pa in left_out.items() if getattr(trust, name) is None}
    return _by_rule(core.ValidationSetting, trust, **instead)


# --- what may be changed by request

# How much less and how much more than the file's own value, where it gives no limits: a choice of
# ours.
_A_QUARTER: Band = (0.75, 1.25)
_A_FACTOR_OF_TWO: Band = (0.5, 2.0)
# What people call each, where it is set, and how far around that it may go.
_ADJUSTABLE = {
    SetPoint.LOW: ("low set point", "cleaning.low", _A_QUARTER),
    SetPoint.HIGH: ("high set point", "cleaning.high", _A_QUARTER),
    SetPoint.INTERVAL: ("interval", "pulsing.interval_s", _A_FACTOR_OF_TWO),
    SetPoint.ON_TIME: ("on-time", "pulsing.on_time_s", _A_QUARTER),
}


@dataclass(frozen=True, slots=True)
class AdjustableSetPoint:
    """One set point, called ``name`` by people and set at ``setting`` in the table of a collector:
    its ``value`` in the file, the limits ``chosen`` there, those that the ``rules`` of the other
    settings leave it, so that none of them is broken, and the ``band`` within which it may be
    changed; all in SI units."""

    point: SetPoint
    name: str
    setting: str
    value: float
    chosen: Band | None
    rules: Band
    band: Band

    def shown(self, band: Band, unit: PressureUnit) -> str:
        """``band`` of it for people, pressures in ``unit``."""
        return " to ".join(
            show_with_pa(value, unit) if self.point.is_pressure else f"{value:g} s"
            for value in band
        )


def adjustable(collector: Collector) -> Iterator[AdjustableSetPoint]:
    """Set points that ``collector`` lets people change by request."""
    if not collector.requests.set_points:
        return
    for point, rules in _rules(collector).items():
        name, setting, (less, more) = _ADJUSTABLE[point]
        limits = getattr(collector.requests, setting.partition(".")[2])
        chosen = None if limits is None else (_si(limits[0]), _si(limits[1]))
        value = _si(attrgetter(setting)(collector))
        least, most = chosen or (less * value, more * value)
        band = max(least, rules[0]), min(most, rules[1])
        yield AdjustableSetPoint(point, name, setting, value, chosen, rules, band)


def _si(value: Pressure | float) -> float:
    return value.pa if isinstance(value, Pressure) else value


def _rules(collector: Collector) -> dict[SetPoint, Band]:
    """Between which values each keeps every other rule of the settings, but that the low set point
    must stay below the high one."""
    alarms, cleaning, outputs = collector.alarms, collector.cleaning, collector.outputs
    above_pa = max(alarms.low.pa + alarms.deadband.pa, collector.zero_limit_pa)
    if collector.contacts.blower_running is None:
        above_pa = max(above_pa, collector.blower.flow_proof.pa)
    below_pa = alarms.replacement.pa - alarms.deadband.pa
    rules = {
        SetPoint.LOW: (_inside(above_pa), -_inside(-below_pa)),
        SetPoint.HIGH: (0.0, nextafter(alarms.replacement.pa, -inf)),
    }
    if outputs.kind is OutputKind.DEMAND_CONTACT:
        return rules  # the sequencer board has settings of its own
    longest_s = min(3600.0, cleaning.timed_interval_s or inf, collector.fallback_interval_s)
    watchdog = outputs.watchdog
    pulse_s = inf if watchdog is None else watchdog.timeout_s - WATCHDOG_BEYOND_PULSE_S
    return rules | {
        SetPoint.INTERVAL: (1.0, longest_s),
        SetPoint.ON_TIME: (SHORTEST_ON_TIME_S, min(LONGEST_ON_TIME_S, pulse_s)),
    }


def _inside(above: float) -> float:
    """Just above ``above``, by more than what sums of decimals are rounded by."""
    return above + 1e-9 * max(1.0, abs(above))


def _adjusting(collector: Collector) -> core.Adjusting:
    bands: dict[str, Any] = {each.point.value: each.band for each in adjustable(collector)}
    outputs = collector.outputs
    has_register = outputs.one_shot_register is not None
    return core.Adjusting(
        **bands,
        on_time_step_s=outputs.one_shot_ms_per_count / 1000.0 if has_register else inf,
        timed_follows=collector.cleaning.timed_interval_s is None,
        confirm_within_s=collector.requests.confirm_within_s,
    )
