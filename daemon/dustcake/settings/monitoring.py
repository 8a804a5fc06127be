"""What is made of the readings besides cleaning: trust in dP, diagnosis, air, filter life, upkeep,
and alarms with their limits, delays and priorities.

Defaults: common practice, no source, where none is named. That of the daily check of dP and air is
what rules that name dP across filters commonly ask for. Delays of alarms of 30-60 s and a deadband
of 2-5 % of the range suit a dP that every pulse disturbs. Few alarms are of high priority: those
where minutes count.
"""

from collections.abc import Mapping
from typing import Annotated, Literal

from pydantic import Field

from dustcake.core.alarms.catalogue import CATALOGUE
from dustcake.core.alarms.names import AlarmName, AlarmSetting, Priority
from dustcake.core.setpoints import FanPlace
from dustcake.settings.base import Lax, Name, PositivePressure, Seconds, Section, TextLine
from dustcake.units import Pressure, PressureUnit

Litres = Annotated[float, Field(gt=0, le=10_000)]


class Trust(Section):
    """When the dP reading is doubted. A time of 0 switches a check off."""

    fan: Lax[FanPlace] = FanPlace.DOWNSTREAM
    """`downstream`: the fan draws air through the filters; `upstream`: it blows. Decides which
    sensing line a wrong reading speaks against."""
    jump: PositivePressure | None = Field(default=None, examples=["1 inH2O"])
    """A change from one reading to the next that dP cannot make by itself while the blower runs
    evenly. Left out: 10 % of the span."""
    jump_confirm_s: float = Field(default=3.0, ge=0, le=600)
    """How long such a new value must stay to be believed; until then it is passed over."""
    frozen_within: PositivePressure | None = Field(default=None, examples=["0.001 inH2O"])
    """A reading that stays this close to one value does not move. Left out: 0.001 % of the span,
    less than the noise of any transmitter."""
    frozen_after_s: Seconds = 3600.0
    """How long it must not have moved, with the blower running, to be taken for frozen."""
    no_dp: PositivePressure | None = Field(default=None, examples=["0.05 inH2O"])
    """With the blower proved running, dP at or below this is a fault, never clean filters. Left
    out: `zeroing.limit`."""
    no_dp_after_s: Seconds = 60.0
    """How long the blower must have run, and dP have been so."""
    zero_check_after_s: Seconds = 120.0
    """At every stop of the blower the reading is checked after this long: dP needs time to fall."""
    zero_drift: PositivePressure | None = Field(default=None, examples=["0.02 inH2O"])
    """Further from zero than this with the blower off, the zero has drifted. Left out: half of
    `zeroing.limit`, so that a new zero can still be taken."""
    not_zero: PositivePressure | None = Field(default=None, examples=["0.5 inH2O"])
    """Further from zero than this with the blower off, the reading has not fallen to zero at all.
    Left out: 5 % of the span."""


class Diagnosis(Section):
    """What is made of the answers to pulses. Not used with a sequencer board, whose pulses are not
    known one by one."""

    response_s: float = Field(default=10.0, ge=0, le=60)
    """How long after a pulse dP and header pressure are looked at, or when the next pulse is due,
    if that is sooner: several times the damping of the transmitter. 0: no diagnosis."""
    recovered_share: float = Field(default=0.9, ge=0.5, le=0.99)
    """Part of its pressure at rest that the header must be back at when the next pulse is due."""
    torn_share: float = Field(default=0.6, ge=0.1, le=0.95)
    """dP below this part of what these filters come back to after cleaning is too low: torn or
    unseated. Lower it where the flow is changed on purpose."""
    torn_after_s: Seconds = 600.0
    """How long it must have been so."""


class Air(Section):
    """How the air of a pulse is counted, and what it costs. Nothing is decided by it."""

    header_volume_l: Litres | None = Field(default=None, examples=[30.0])
    """Volume of the header tank with its pipes up to the valves, in litres. With it and a header
    transmitter each pulse is measured by the fall of header pressure. Left out: every pulse counts
    as rated."""
    rated_pulse_l: Litres = 40.0
    """Free air of one pulse, in litres, where it cannot be measured; from the valve's data sheet.
    Left out: what a 30 L header gives that falls from 90 to 70 psi (computed, not measured)."""
    reference: Literal["101.325 kPa", "100 kPa"] = "101.325 kPa"
    """Pressure at which free air is stated, always at 20 C: the standard atmosphere, or that of
    ISO 8778 (secondary source)."""
    energy_kwh_per_m3: float = Field(default=0.106, gt=0, le=10)
    """Electricity for one m3 of free air. 0.106 is 18 kW per 100 cfm, the middle of the 16 to 20
    that are usual at 100 psi (from memory)."""
    price_per_kwh: float = Field(default=0.12, ge=0, le=1000)
    """Price of electricity. 0.12 is the example of a national laboratory's open tool: put in your
    own."""
    currency: str = Field(default="USD", pattern=r"^[A-Z]{3}$")
    """Its currency, as three capital letters (ISO 4217)."""


class FilterLife(Section):
    """What a forecast of filter life leaves out."""

    seasoning_h: float = Field(default=40.0, ge=0, le=2000)
    """Blower hours after a filter change while dP rises because the first cake forms: no trend is
    seen in it (common practice, no source)."""


class Upkeep(Section):
    """Something to be done now and again. With several of the three intervals it is due when the
    first of them has passed; at least one must be given."""

    name: Name = Field(examples=["snubber"])
    """Its name, by which it is recorded as done. One named `drum` is also completed by recording
    that the drum was emptied, one named `zero` by a zero taken here or at the transmitter."""
    text: TextLine = Field(examples=["Clean the snubber and blow back the sensing lines"])
    """What to do."""
    every_run_h: float | None = Field(default=None, gt=0, le=100_000)
    """After the blower has run this long, in hours."""
    every_pulses: int | None = Field(default=None, ge=1, le=1_000_000_000)
    """After so many pulses of all valves together. Not with a sequencer board, which reports none.
    """
    every_days: float | None = Field(default=None, gt=0, le=36_600)
    """After so many days."""


DEFAULT_UPKEEP = (
    Upkeep(
        name="daily_check",
        text="Compare dP and header pressure with their usual range, and look at the stack",
        every_days=1.0,
    ),
    Upkeep(name="drum", text="Look into the dust drum and empty it in time", every_run_h=40.0),
    Upkeep(
        name="regulator_bowl",
        text="Drain the bowl of the air filter and regulator, and the header",
        every_days=7.0,
    ),
    Upkeep(
        name="snubber",
        text="Isolate the transmitter, then clean the snubber and blow back the sensing lines",
        every_run_h=500.0,
    ),
)


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


DEFAULT_ALARMS: Mapping[AlarmName, AlarmSetting] = {
    name: AlarmSetting(name, True, entry.on_delay_s, entry.off_delay_s, entry.priority)
    for name, entry in CATALOGUE.items()
}
