"""From the settings of a collector to what its decisions depend on, in SI units.

Most fields of the core's records have the name of their setting, or that name with the SI unit at
its end; ``_by_rule`` takes them over, so that such a setting is named here nowhere. What is named
differs: it comes from several settings, or what holds where it is left out depends on others.
"""

from collections.abc import Callable, Mapping
from dataclasses import fields
from types import MappingProxyType
from typing import Any, TypeVar

from dustcake.core import setpoints as core
from dustcake.core.alarms.names import AlarmName
from dustcake.core.inputs import CONTACT_NAMES
from dustcake.core.setpoints import SignalKind
from dustcake.settings.base import Section
from dustcake.settings.buses import HEADER_MAX, HEADER_MIN, AnalogInput, HeaderInput
from dustcake.settings.model import Collector
from dustcake.settings.monitoring import alarm_setting
from dustcake.settings.request_limits import to_adjusting
from dustcake.units import PA_PER

REFERENCES_PA = {"101.325 kPa": 101_325.0, "100 kPa": 100_000.0}
LOOP_LOW_MA = 4.0
LOOP_HIGH_MA = 20.0
MICROAMPERES = (4000, 20000)

Record = TypeVar("Record")


def to_setpoints(collector: Collector) -> core.Setpoints:
    """The set points of ``collector``, which must come from a loaded, and so checked, file."""
    alarms, header = collector.alarms, collector.header
    return core.Setpoints(
        collector=collector.name,
        dp=to_scale(collector.transmitter),
        header=None if header is None else to_scale(header),
        header_limits=_header_limits(header),
        fitted=_fitted(collector),
        stale_after_s=collector.stale_s,
        settle_s=collector.settle_s,
        outputs_retry_s=collector.outputs.retry_s,
        cleaning=_by_rule(
            core.Cleaning,
            collector.cleaning,
            timed_interval_s=collector.timed_interval_s,
            fallback_interval_s=collector.fallback_interval_s,
        ),
        pulsing=_pulsing(collector),
        alarms=tuple(alarm_setting(name, alarms.override.get(name)) for name in AlarmName),
        limits=_by_rule(core.AlarmLimits, alarms),
        alarm_rules=_by_rule(core.AlarmRules, alarms),
        zeroing=_by_rule(core.Zeroing, collector.zeroing, limit_pa=collector.zero_limit_pa),
        blower=_by_rule(
            core.Blower,
            collector.blower,
            timed_unproved=collector.blower.timed_without_proof is not None,
        ),
        maintenance=tuple(_by_rule(core.MaintenanceSetting, each) for each in collector.upkeep),
        edited_by=collector.edited_by or "",
        adjusting=to_adjusting(collector),
        air=_by_rule(core.Air, collector.air, reference_pa=REFERENCES_PA[collector.air.reference]),
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


def _by_rule(
    record: Callable[..., Record],
    section: Section,
    left_out: Mapping[str, float] = MappingProxyType({}),
    **given: object,
) -> Record:
    """A ``record`` of the core from ``section``, but for what is ``given``. ``left_out``: what is
    used where a setting is left out. Raises KeyError for a field without a setting."""
    names = [field.name for field in fields(record)]  # type: ignore[arg-type]
    taken = {name: _taken(section, name) for name in names if name not in given}
    for name, value in left_out.items():
        taken[name] = value if taken[name] is None else taken[name]
    return record(**taken, **given)


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
    low, high = analog.span
    low_pa, high_pa = low.pa, high.pa
    ma_per_count = 0.001
    if analog.kind is SignalKind.FLOAT32:
        offset_pa, gain_pa = 0.0, PA_PER[low.unit]
    elif analog.kind is SignalKind.CURRENT:
        first, last = analog.counts or MICROAMPERES
        ma_per_count = (LOOP_HIGH_MA - LOOP_LOW_MA) / (last - first)
        gain_pa = (high_pa - low_pa) / (LOOP_HIGH_MA - LOOP_LOW_MA)
        offset_pa = low_pa - LOOP_LOW_MA * gain_pa
    else:
        if analog.counts is None:
            raise ValueError("a scaled integer needs `counts`")
        first, last = analog.counts
        gain_pa = (high_pa - low_pa) / (last - first)
        offset_pa = low_pa - first * gain_pa
    return core.Scale(
        kind=analog.kind,
        offset_pa=offset_pa,
        gain_pa=gain_pa,
        span_low_pa=low_pa,
        span_high_pa=high_pa,
        ma_per_count=ma_per_count,
        word_order=analog.word_order,
    )


def _header_limits(header: HeaderInput | None) -> core.HeaderLimits:
    if header is None:  # nothing is fitted, so the core compares nothing with these
        return core.HeaderLimits(min_pa=HEADER_MIN.pa, max_pa=HEADER_MAX.pa)
    return _by_rule(core.HeaderLimits, header)


def _fitted(collector: Collector) -> core.Fitted:
    contacts = collector.contacts
    return core.Fitted(**{name: getattr(contacts, name) is not None for name in CONTACT_NAMES})


def _pulsing(collector: Collector) -> core.Pulsing:
    pulsing, order = collector.pulsing, collector.order
    cycle_s = pulsing.sequencer_cycle_s  # given for a demand contact, and only there
    if cycle_s is None:
        cycle_s = len(order) * pulsing.interval_s
    return _by_rule(
        core.Pulsing,
        pulsing,
        kind=collector.outputs.kind,
        order=order,
        sequencer_cycle_s=cycle_s,
    )


def _trust(collector: Collector) -> core.ValidationSetting:
    span_pa, zero_pa = collector.span_pa, collector.zero_limit_pa
    left_out = {
        "jump_pa": 0.1 * span_pa,
        "frozen_within_pa": 1e-5 * span_pa,
        "no_dp_pa": zero_pa,
        "zero_drift_pa": 0.5 * zero_pa,
        "not_zero_pa": 0.05 * span_pa,
    }
    return _by_rule(core.ValidationSetting, collector.trust, left_out)
