"""Alarm limits, delays and priorities.

Defaults: common practice, no source. Delays of 30-60 s and a deadband of 2-5 % of the range suit
a dP that every pulse disturbs. Few alarms are of high priority: those where minutes count.
"""

from collections.abc import Mapping
from types import MappingProxyType

from pydantic import Field

from dustcake.core.record import replace
from dustcake.core.setpoints import AlarmName, AlarmSetting, Priority
from dustcake.settings.base import Lax, PositivePressure, Seconds, Section
from dustcake.units import Pressure, PressureUnit


class AlarmOverride(Section):
    """What differs from the default of one alarm."""

    enabled: bool = True
    """False takes the alarm out. What it watches still stops pulses where that is dangerous."""
    on_delay_s: Seconds | None = None
    """How long the condition must hold before the alarm is raised. Left out: its default."""
    off_delay_s: Seconds | None = None
    """How long it must be gone before the alarm clears. Left out: its default."""
    priority: Lax[Priority] | None = None
    """`high`, `medium` or `low`. Left out: its default."""
    latching: bool = False
    """True: once it has been active it stays until somebody has acknowledged and reset it."""


class Alarms(Section):
    """Limits of the dP alarms, and what differs from the defaults of single alarms."""

    replacement: PositivePressure = Pressure(5.0, PressureUnit.INH2O)
    """Filter replacement: dP stays above this although cleaning has run."""
    replacement_cycles: int = Field(default=3, ge=1, le=1000)
    """Full cleaning cycles that must have run above it."""
    high: PositivePressure = Pressure(6.0, PressureUnit.INH2O)
    """High dP alarm."""
    low: PositivePressure = Pressure(0.3, PressureUnit.INH2O)
    """Low dP alarm: a torn or missing filter, an open door, no flow."""
    low_start_delay_s: Seconds = 60.0
    """No low dP alarm until the blower has run this long."""
    deadband: PositivePressure = Pressure(0.15, PressureUnit.INH2O)
    """A dP alarm clears only this far inside its limit."""
    seasoning_h: float = Field(default=4.0, ge=0, le=1000)
    """Blower hours after a recorded filter change in which there is no low dP alarm: new filters
    have no cake yet."""
    frequent_gap_s: Seconds = 120.0
    """Cleaning too frequent: a run that begins so soon after the end of the one before."""
    frequent_runs: int = Field(default=5, ge=1, le=1000)
    """So many such runs in a row raise the alarm."""
    shelve_max_s: float = Field(default=28_800.0, ge=60, le=604_800)
    """No alarm is shelved for longer than this: eight hours, a shift, unless set."""
    override: dict[Lax[AlarmName], AlarmOverride] = Field(
        default_factory=dict, examples=[{"high_dp": {"on_delay_s": 120.0, "priority": "high"}}]
    )
    """Delays, priority, latching, or taking out, of single alarms, by the name of the alarm."""


def _default(
    name: AlarmName, on_delay_s: float, off_delay_s: float, priority: Priority
) -> AlarmSetting:
    return AlarmSetting(name, True, on_delay_s, off_delay_s, priority)


DEFAULT_ALARMS: Mapping[AlarmName, AlarmSetting] = MappingProxyType(
    {
        setting.name: setting
        for setting in (
            _default(AlarmName.FILTER_REPLACEMENT, 60.0, 60.0, Priority.LOW),
            _default(AlarmName.HIGH_DP, 60.0, 30.0, Priority.MEDIUM),
            _default(AlarmName.LOW_DP, 60.0, 30.0, Priority.MEDIUM),
            # The cycles it counts are its delay.
            _default(AlarmName.CLEANING_NOT_EFFECTIVE, 0.0, 0.0, Priority.LOW),
            _default(AlarmName.HEADER_PRESSURE_LOW, 30.0, 30.0, Priority.MEDIUM),
            _default(AlarmName.HEADER_TRANSMITTER_FAULT, 30.0, 30.0, Priority.LOW),
            _default(AlarmName.TRANSMITTER_FAULT, 30.0, 30.0, Priority.MEDIUM),
            _default(AlarmName.OUTPUTS_LOST, 30.0, 30.0, Priority.MEDIUM),
            _default(AlarmName.VALVE_STUCK_OPEN, 0.0, 0.0, Priority.HIGH),
            _default(AlarmName.SMOKE, 0.0, 0.0, Priority.HIGH),
            _default(AlarmName.JOURNAL_FAULT, 0.0, 30.0, Priority.MEDIUM),
            # The runs it counts are its delay.
            _default(AlarmName.CLEANING_TOO_FREQUENT, 0.0, 0.0, Priority.LOW),
            _default(AlarmName.FIELDBUS_LOST, 30.0, 30.0, Priority.MEDIUM),
            _default(AlarmName.BLOWER_NOT_PROVED, 60.0, 5.0, Priority.MEDIUM),
            # Level: 60 s is the starting value of alarm management practice (from memory).
            _default(AlarmName.DRUM_FULL, 60.0, 60.0, Priority.LOW),
            # A computer without a clock of its own waits for the network after each start.
            _default(AlarmName.CLOCK_NOT_SET, 600.0, 0.0, Priority.LOW),
            # The evidence that these gather is their delay.
            _default(AlarmName.SENSING_LINE_SUSPECT, 0.0, 0.0, Priority.MEDIUM),
            _default(AlarmName.ZERO_DRIFT, 0.0, 0.0, Priority.LOW),
            _default(AlarmName.VALVE_DOES_NOT_FIRE, 0.0, 0.0, Priority.LOW),
            _default(AlarmName.HEADER_NOT_RECOVERING, 0.0, 0.0, Priority.LOW),
            _default(AlarmName.FILTER_TORN, 0.0, 0.0, Priority.MEDIUM),
            _default(AlarmName.ROW_NOT_RECOVERING, 0.0, 0.0, Priority.LOW),
            # So is the share of readings lost.
            _default(AlarmName.READINGS_OFTEN_LOST, 0.0, 0.0, Priority.LOW),
        )
    }
)


def alarm_setting(name: AlarmName, override: AlarmOverride | None) -> AlarmSetting:
    """The setting of alarm ``name``: its default, but for what ``override`` gives."""
    given = {} if override is None else override.model_dump(exclude_none=True)
    return replace(DEFAULT_ALARMS[name], **given)
