"""When a dP reading is not believed, and what is made of the answers to pulses.

Defaults: common practice, no source, where none is named.
"""

from pydantic import Field

from dustcake.core.setpoints import FanPlace
from dustcake.settings.base import Chosen, Seconds, Section
from dustcake.settings.pressure import PositivePressure


class Trust(Section):
    """When the dP reading is doubted. A time of 0 switches a check off."""

    fan: Chosen[FanPlace] = FanPlace.DOWNSTREAM
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
