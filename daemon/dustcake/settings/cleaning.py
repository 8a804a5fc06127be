"""When and how to clean, and what of that people may change by request.

Defaults are common practice, no source, where none is named.
"""

from typing import Annotated

from pydantic import Field

from dustcake.core.requests.kinds import Mode
from dustcake.core.setpoints import OnBadReading
from dustcake.settings.base import Lax, PositivePressure, Seconds, Section
from dustcake.units import Pressure, PressureUnit

SHORTEST_ON_TIME_S = 0.05
LONGEST_ON_TIME_S = 0.3
WATCHDOG_BEYOND_PULSE_S = 1.0
"""How much longer than a pulse the module's watchdog must wait."""


class Cleaning(Section):
    """When to clean. On-demand cleaning starts at or above `high`, stops at or below `low`."""

    mode: Lax[Mode] = Mode.ON_DEMAND
    """Mode until somebody selects another: `off`, `on_demand`, or `timed` (pulses at a fixed
    interval)."""
    low: PositivePressure = Pressure(3.0, PressureUnit.INH2O)
    """Low set point: on-demand cleaning stops at or below this dP."""
    high: PositivePressure = Pressure(4.0, PressureUnit.INH2O)
    """High set point: on-demand cleaning starts at or above this dP."""
    on_delay_s: float = Field(default=5.0, ge=0, le=600)
    """How long dP must have been at or above `high` before cleaning starts."""
    finish_cycle: bool = True
    """Finish the cycle that is running when dP reaches `low`, so that all rows wear alike."""
    max_cycles: int = Field(default=10, ge=1, le=1000)
    """Full cycles without reaching `low` after which cleaning rests, instead of pulsing for ever
    on filters it no longer cleans."""
    rest_s: Seconds = 900.0
    """How long it then rests before it tries again."""
    timed_interval_s: float | None = Field(default=None, ge=1, le=86_400)
    """Timed mode: from one pulse to the next. Left out: `pulsing.interval_s`."""
    on_bad_reading: Lax[OnBadReading] = OnBadReading.TIMED
    """While dP cannot be trusted: `hold` (no pulses), or `timed` (pulse at
    `fallback_interval_s` while the blower is proved running)."""
    fallback_delay_s: Seconds = 30.0
    """How long the reading must have been bad before that begins."""
    fallback_interval_s: float | None = Field(default=None, ge=1, le=86_400)
    """From one pulse to the next meanwhile. Left out: 60 s, or `pulsing.interval_s` if longer."""
    downtime: bool = False
    """Clean after the blower has stopped. Off, because cleaning without air flow can raise a dust
    cloud inside the collector: for combustible dust it needs the site's dust hazard analysis."""
    downtime_spin_down_s: Seconds = 90.0
    """How long the blower must have been off before downtime cleaning starts."""
    downtime_passes: int = Field(default=2, ge=1, le=10)
    """Full cycles of a downtime cleaning."""
    downtime_min_run_s: Seconds = 600.0
    """The blower must have run this long since the last downtime cleaning."""


class Pulsing(Section):
    """How to pulse. A sequencer board has only `report_timeout_s` and `sequencer_cycle_s` of it."""

    order: Lax[tuple[int, ...]] | None = Field(default=None, min_length=1, examples=[[2, 4, 1, 3]])
    """Valves in the order they fire, each once. Left out: an order that skips neighbours."""
    on_time_s: float = Field(default=0.15, ge=SHORTEST_ON_TIME_S, le=LONGEST_ON_TIME_S)
    """How long a valve is energised. A diaphragm valve needs 0.01 to 0.03 s to open at all
    (common practice, no source), so below 0.05 s it may not; the pressure inside a cartridge
    grew little beyond about 0.1 s in a published trial (Atmosphere 2023, 14(7), 1173), so above
    0.3 s a pulse only empties the header."""
    interval_s: float = Field(default=15.0, ge=1, le=3600)
    """From one pulse to the next: at least 1 s, and long enough for the header to recover."""
    report_timeout_s: float = Field(default=10.0, ge=1, le=120)
    """A command whose outcome is not known this long after its pulse counts as failed."""
    sequencer_cycle_s: float | None = Field(default=None, ge=1, le=86_400)
    """For demand_contact, and needed there: how long the sequencer board takes to pulse every
    valve once."""


class Zeroing(Section):
    """Conditions for taking the zero of the dP transmitter."""

    limit: PositivePressure | None = Field(default=None, examples=["0.05 inH2O"])
    """The reading must be within this of zero. Left out: 0.5 % of the span."""
    average_s: float = Field(default=10.0, ge=1, le=600)
    """Over how long the reading is averaged."""
    blower_off_s: Seconds = 120.0
    """The blower must have been off this long: dP needs time to fall."""


_Interval = Annotated[float, Field(ge=1, le=3600)]
_OnTime = Annotated[float, Field(ge=SHORTEST_ON_TIME_S, le=LONGEST_ON_TIME_S)]


class Requests(Section):
    """Set points that people may change by request, each from the first value to the second. Where
    one is left out, a choice of ours around the value in this file, as far as the other settings
    allow. What has been changed so stays, until this file's own value of it is changed."""

    set_points: bool = True
    """False: set points are changed in this file only."""
    low: Lax[tuple[PositivePressure, PositivePressure]] | None = Field(
        default=None, examples=[["2.5 inH2O", "3.5 inH2O"]]
    )
    """`cleaning.low`. Left out: 25 % less to 25 % more than it is here."""
    high: Lax[tuple[PositivePressure, PositivePressure]] | None = Field(
        default=None, examples=[["3.5 inH2O", "4.5 inH2O"]]
    )
    """`cleaning.high`. Left out: 25 % less to 25 % more than it is here."""
    interval_s: Lax[tuple[_Interval, _Interval]] | None = Field(default=None, examples=[[10, 30]])
    """`pulsing.interval_s`. Left out: half to twice what it is here."""
    on_time_s: Lax[tuple[_OnTime, _OnTime]] | None = Field(default=None, examples=[[0.1, 0.2]])
    """`pulsing.on_time_s`. Left out: 25 % less to 25 % more than it is here."""
    confirm_within_s: float = Field(default=60.0, ge=5, le=600)
    """A change acts only when whoever asked for it confirms it within this."""
