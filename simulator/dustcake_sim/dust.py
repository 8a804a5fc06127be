"""When how much dust arrives: a load profile, or shifts with breaks, and bursts on top of either.

Scenario time is in seconds from midnight of a Monday. Everything here can be had for any time in
any order, and holds no more than one day.
"""

from __future__ import annotations

import math
import random
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

DAY_S = 86_400.0
Weekday = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
_WEEK: tuple[Weekday, ...] = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
Hour = Annotated[float, Field(ge=0.0, le=24.0)]


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class LoadStep(_Table):
    """One `[[load]]`: from `at_s` on, this much dust in the air."""

    at_s: Annotated[float, Field(ge=0.0)]
    dust_g_m3: Annotated[float, Field(ge=0.0)]


class Break(_Table):
    """A pause within a shift, in hours of the day."""

    from_h: Hour
    to_h: Hour


class Shift(_Table):
    """One `[[shift]]`: work at these hours of these days. One over midnight is written as two."""

    days: tuple[Weekday, ...] = Field(min_length=1)
    from_h: Hour
    to_h: Hour
    dust_g_m3: Annotated[float, Field(ge=0.0)]
    breaks: tuple[Break, ...] = ()

    @model_validator(mode="after")
    def _forwards(self) -> Shift:
        if self.to_h <= self.from_h:
            raise ValueError("make to_h later than from_h; write a shift over midnight as two")
        for pause in self.breaks:
            if not self.from_h <= pause.from_h < pause.to_h <= self.to_h:
                raise ValueError(
                    f"break from {pause.from_h:g} to {pause.to_h:g}: put it within the shift"
                )
        return self


class Bursts(_Table):
    """`[bursts]`: for `length_s` now and then, `factor` times the dust."""

    mean_every_s: Annotated[float, Field(ge=60.0)]
    length_s: Annotated[float, Field(gt=0.0)]
    factor: Annotated[float, Field(ge=0.0)]


@dataclass(frozen=True, slots=True)
class Work:
    """What goes on for a while. `manned`: within a shift, pauses included; None without shifts."""

    dust_g_m3: float
    working: bool
    manned: bool | None
    until_s: float


class DustProfile:
    """Dust in the air over scenario time; the same seed gives the same bursts."""

    def __init__(
        self,
        load: Sequence[LoadStep],
        load_repeat_s: float | None,
        shifts: Sequence[Shift],
        bursts: Bursts | None,
        seed: int,
    ) -> None:
        self._load = load
        self._repeat_s = load_repeat_s
        self._shifts = shifts
        self._bursts = bursts
        self._seed = seed
        self._day = -1
        self._day_bursts: list[float] = []
        self._day_edges: list[float] = []

    def at(self, scenario_s: float) -> Work:
        """What goes on at this time, and until when nothing changes."""
        base = self._on_shift(scenario_s) if self._shifts else self._by_profile(scenario_s)
        if self._bursts is None:
            return base
        factor, until_s = self._burst(scenario_s, self._bursts)
        return Work(base.dust_g_m3 * factor, base.working, base.manned, min(base.until_s, until_s))

    def _by_profile(self, scenario_s: float) -> Work:
        begun_s = 0.0
        if self._repeat_s is not None:
            begun_s = math.floor(scenario_s / self._repeat_s) * self._repeat_s
        number = bisect_right(self._load, scenario_s - begun_s, key=lambda step: step.at_s) - 1
        if number + 1 < len(self._load):
            until_s = begun_s + self._load[number + 1].at_s
        else:
            until_s = math.inf if self._repeat_s is None else begun_s + self._repeat_s
        return Work(self._load[number].dust_g_m3, True, None, until_s)

    def _on_shift(self, scenario_s: float) -> Work:
        self._open_day(math.floor(scenario_s / DAY_S))
        hour = (scenario_s - self._day * DAY_S) / 3600.0
        ahead = bisect_right(self._day_edges, hour)
        end_h = self._day_edges[ahead] if ahead < len(self._day_edges) else 24.0
        until_s = self._day * DAY_S + end_h * 3600.0
        for shift in self._shifts:
            if _WEEK[self._day % 7] in shift.days and shift.from_h <= hour < shift.to_h:
                paused = any(pause.from_h <= hour < pause.to_h for pause in shift.breaks)
                return Work(0.0 if paused else shift.dust_g_m3, not paused, True, until_s)
        return Work(0.0, False, False, until_s)

    def _open_day(self, day: int) -> None:
        if day == self._day:
            return
        self._day = day
        edges: set[float] = set()
        for shift in self._shifts:
            if _WEEK[day % 7] in shift.days:
                edges |= {shift.from_h, shift.to_h}
                edges |= {edge for pause in shift.breaks for edge in (pause.from_h, pause.to_h)}
        self._day_edges = sorted(edges)
        self._day_bursts = []
        if self._bursts is not None:
            rng = random.Random(f"bursts {self._seed} {day}")
            at_s = rng.expovariate(1.0 / self._bursts.mean_every_s)
            while at_s < DAY_S:
                self._day_bursts.append(day * DAY_S + at_s)
                at_s += self._bursts.length_s + rng.expovariate(1.0 / self._bursts.mean_every_s)

    def _burst(self, scenario_s: float, bursts: Bursts) -> tuple[float, float]:
        """Factor on the dust now, and until when. A burst ends with its day at the latest."""
        self._open_day(math.floor(scenario_s / DAY_S))
        day_end_s = (self._day + 1) * DAY_S
        begun = bisect_right(self._day_bursts, scenario_s)
        if begun:
            end_s = min(self._day_bursts[begun - 1] + bursts.length_s, day_end_s)
            if scenario_s < end_s:
                return bursts.factor, end_s
        next_s = self._day_bursts[begun] if begun < len(self._day_bursts) else day_end_s
        return 1.0, next_s
