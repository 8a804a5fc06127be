"""Upkeep that people are reminded of. Defaults are common practice, no source, but for the daily
check of dP and air, which rules that name dP across filters commonly ask for."""

from pydantic import Field

from dustcake.core.setpoints import UpkeepTask
from dustcake.settings.base import Line, Name, Section

_HOUR_S, _DAY_S = 3600.0, 86_400.0


class Upkeep(Section):
    """Something to be done now and again. With several of the three intervals it is due when the
    first of them has passed; at least one must be given."""

    name: Name = Field(examples=["snubber"])
    """Its name, by which it is recorded as done."""
    text: Line = Field(examples=["Clean the snubber and blow back the sensing lines"])
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


def to_task(upkeep: Upkeep) -> UpkeepTask:
    """The same for the core."""
    return UpkeepTask(
        name=upkeep.name,
        text=upkeep.text,
        every_run_s=None if upkeep.every_run_h is None else upkeep.every_run_h * _HOUR_S,
        every_pulses=upkeep.every_pulses,
        every_s=None if upkeep.every_days is None else upkeep.every_days * _DAY_S,
    )
