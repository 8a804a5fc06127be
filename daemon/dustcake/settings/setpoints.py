"""From the settings of a collector to what its decisions depend on, in SI units."""

from dustcake.core import setpoints as core
from dustcake.core.setpoints import AlarmName, SignalKind
from dustcake.core.signals import CONTACT_NAMES
from dustcake.settings.adjusting import to_adjusting
from dustcake.settings.air import Air
from dustcake.settings.alarms import alarm_setting
from dustcake.settings.buses import HEADER_MAX, HEADER_MIN, AnalogInput, HeaderInput
from dustcake.settings.collector import Collector
from dustcake.settings.upkeep import to_task
from dustcake.units import PA_PER, Pressure

LITRE_M3 = 0.001
REFERENCES_PA = {"101.325 kPa": 101_325.0, "100 kPa": 100_000.0}
LOOP_LOW_MA = 4.0
LOOP_HIGH_MA = 20.0
MICROAMPERES = (4000, 20000)


def to_setpoints(collector: Collector) -> core.Setpoints:
    """The set points of ``collector``, which must come from a loaded, and so checked, file."""
    header = collector.header
    return core.Setpoints(
        collector=collector.name,
        dp=to_scale(collector.transmitter),
        header=None if header is None else to_scale(header),
        header_limits=_header_limits(header),
        fitted=_fitted(collector),
        stale_after_s=collector.stale_s,
        settle_s=collector.settle_s,
        outputs_retry_s=collector.outputs.retry_s,
        cleaning=_cleaning(collector),
        pulsing=_pulsing(collector),
        alarms=tuple(
            alarm_setting(name, collector.alarms.override.get(name)) for name in AlarmName
        ),
        limits=core.AlarmLimits(
            replacement_pa=collector.alarms.replacement.pa,
            replacement_cycles=collector.alarms.replacement_cycles,
            high_pa=collector.alarms.high.pa,
            low_pa=collector.alarms.low.pa,
            low_start_delay_s=collector.alarms.low_start_delay_s,
            deadband_pa=collector.alarms.deadband.pa,
        ),
        alarm_rules=core.AlarmRules(
            shelve_max_s=collector.alarms.shelve_max_s,
            seasoning_s=collector.alarms.seasoning_h * 3600.0,
            frequent_gap_s=collector.alarms.frequent_gap_s,
            frequent_runs=collector.alarms.frequent_runs,
        ),
        zeroing=core.Zeroing(
            limit_pa=collector.zero_limit_pa,
            average_s=collector.zeroing.average_s,
            blower_off_s=collector.zeroing.blower_off_s,
        ),
        blower=core.Blower(
            request=collector.blower.request,
            run_on_s=collector.blower.run_on_s,
            flow_proof_pa=collector.blower.flow_proof.pa,
            timed_unproved=collector.blower.timed_without_proof is not None,
        ),
        upkeep=tuple(map(to_task, collector.upkeep)),
        edited_by=collector.edited_by or "",
        adjusting=to_adjusting(collector),
        air=_air(collector.air),
        seasoning_h=collector.filter_life.seasoning_h,
        trust=_trust(collector),
        diagnosis=core.Diagnosis(
            response_s=collector.diagnosis.response_s,
            recovered_share=collector.diagnosis.recovered_share,
            torn_share=collector.diagnosis.torn_share,
            torn_after_s=collector.diagnosis.torn_after_s,
        ),
    )


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


def _air(air: Air) -> core.Air:
    volume_l = air.header_volume_l
    return core.Air(
        header_volume_m3=None if volume_l is None else volume_l * LITRE_M3,
        rated_pulse_m3=air.rated_pulse_l * LITRE_M3,
        reference_pa=REFERENCES_PA[air.reference],
        energy_kwh_per_m3=air.energy_kwh_per_m3,
        price_per_kwh=air.price_per_kwh,
        currency=air.currency,
    )


def _trust(collector: Collector) -> core.Trust:
    trust, span_pa, zero_pa = collector.trust, collector.span_pa, collector.zero_limit_pa

    def chosen(pressure: Pressure | None, left_out_pa: float) -> float:
        return left_out_pa if pressure is None else pressure.pa

    return core.Trust(
        fan=trust.fan,
        jump_pa=chosen(trust.jump, 0.1 * span_pa),
        jump_confirm_s=trust.jump_confirm_s,
        frozen_within_pa=chosen(trust.frozen_within, 1e-5 * span_pa),
        frozen_after_s=trust.frozen_after_s,
        no_dp_pa=chosen(trust.no_dp, zero_pa),
        no_dp_after_s=trust.no_dp_after_s,
        zero_check_after_s=trust.zero_check_after_s,
        zero_drift_pa=chosen(trust.zero_drift, 0.5 * zero_pa),
        not_zero_pa=chosen(trust.not_zero, 0.05 * span_pa),
    )


def _header_limits(header: HeaderInput | None) -> core.HeaderLimits:
    if header is None:  # nothing is fitted, so the core compares nothing with these
        return core.HeaderLimits(min_pa=HEADER_MIN.pa, max_pa=HEADER_MAX.pa)
    return core.HeaderLimits(min_pa=header.min.pa, max_pa=header.max.pa)


def _fitted(collector: Collector) -> core.Fitted:
    contacts = collector.contacts
    return core.Fitted(**{name: getattr(contacts, name) is not None for name in CONTACT_NAMES})


def _cleaning(collector: Collector) -> core.Cleaning:
    cleaning = collector.cleaning
    return core.Cleaning(
        mode=cleaning.mode,
        low_pa=cleaning.low.pa,
        high_pa=cleaning.high.pa,
        on_delay_s=cleaning.on_delay_s,
        finish_cycle=cleaning.finish_cycle,
        max_cycles=cleaning.max_cycles,
        rest_s=cleaning.rest_s,
        timed_interval_s=collector.timed_interval_s,
        on_bad_reading=cleaning.on_bad_reading,
        fallback_delay_s=cleaning.fallback_delay_s,
        fallback_interval_s=collector.fallback_interval_s,
        downtime=cleaning.downtime,
        downtime_spin_down_s=cleaning.downtime_spin_down_s,
        downtime_passes=cleaning.downtime_passes,
        downtime_min_run_s=cleaning.downtime_min_run_s,
    )


def _pulsing(collector: Collector) -> core.Pulsing:
    pulsing, order = collector.pulsing, collector.order
    cycle_s = pulsing.sequencer_cycle_s  # given for a demand contact, and only there
    if cycle_s is None:
        cycle_s = len(order) * pulsing.interval_s
    return core.Pulsing(
        kind=collector.outputs.kind,
        order=order,
        on_time_s=pulsing.on_time_s,
        interval_s=pulsing.interval_s,
        report_timeout_s=pulsing.report_timeout_s,
        sequencer_cycle_s=cycle_s,
    )
