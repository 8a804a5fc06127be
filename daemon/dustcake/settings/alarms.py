"""Alarm limits, delays and priorities.

Defaults: common practice, no source. Delays of 30-60 s and a deadband of 2-5 % of the range suit
a dP that every pulse disturbs. Few alarms are of high priority: those where minutes count.
"""

from collections.abc import Mapping
from types import MappingProxyType

from pydantic import Field

from dustcake.core.alarms.catalogue import CATALOGUE
from dustcake.core.alarms.names import AlarmName, AlarmSetting, Priority
from dustcake.core.record import replace
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


DEFAULT_ALARMS: Mapping[AlarmName, AlarmSetting] = MappingProxyType(
    {
        name: AlarmSetting(name, True, entry.on_delay_s, entry.off_delay_s, entry.priority)
        for name, entry in CATALOGUE.items()
    }
)


def alarm_setting(name: AlarmName, override: AlarmOverride | None) -> AlarmSetting:
    """The setting of alarm ``name``: its default, but for what ``override`` gives."""
    given = {} if override is None else override.model_dump(exclude_none=True)
    return replace(DEFAULT_ALARMS[name], **given)
