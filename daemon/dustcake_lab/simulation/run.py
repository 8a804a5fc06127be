"""What a simulated run comes to: counts as in a replay, the plant's side, curves to draw."""

from array import array
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from dustcake.core.events import AlarmChanged, Event
from dustcake.core.stamp import Stamp
from dustcake_lab.replay.listing import count_lines, counts
from dustcake_lab.replay.replay import Tally
from dustcake_sim.closed_loop import FIRST_UTC_S, ClosedLoop

CAVEAT = "simulated: not a claim about any real collector"


class SimulatedRun:
    """A closed loop, and the tally of what happens in it."""

    def __init__(self, loop: ClosedLoop) -> None:
        self.loop = loop
        self.tally = Tally(first_utc_s=FIRST_UTC_S)

    def counted(self, events: Iterator[Event]) -> Iterator[Event]:
        """The same events, each taken into account. At their end the run is over."""
        for event in events:
            self.tally.count(event)
            yield event
        end_s = self.loop.t_s
        self.tally.samples = self.loop.samples
        self.tally.end(Stamp(end_s, FIRST_UTC_S + end_s))

    def plant(self) -> dict[str, Any]:
        """The plant's side of the summary: totals since the start, and its state at the end."""
        one = self.loop.field.collector
        state = one.state
        return {
            "dust_caught_kg": round(state.dust_in_kg, 3),
            "dust_emitted_kg": round(state.emitted_kg, 6),
            "drum_kg": round(state.drum_kg, 3),
            "air_used_kg": round(state.air_used_kg, 3),
            "air_leaked_kg": round(state.air_leaked_kg, 3),
            "two_valves_at_once": self.loop.field.outputs.counts.two_valves_at_once,
            "end_dp_pa": round(one.point.dp_pa, 2),
            "end_flow_m3_s": round(one.point.flow_m3_s, 4),
            "end_residual_drag_pa_s_m": [round(drag, 1) for drag in state.residual_drag_pa_s_m],
            "end_cake_kg_m2": [round(cake, 5) for cake in state.cake_kg_m2],
        }

    def summary(self) -> dict[str, Any]:
        """The last line of a listing for programs; named as in a replay where it is the same."""
        return {
            "event": "summary",
            "samples": self.tally.samples,
            **counts(self.tally),
            "plant": self.plant(),
            "notes": [CAVEAT],
        }

    def words(self) -> list[str]:
        """The summary for people."""
        plant = self.plant()
        lines = [
            "",
            f"samples          {self.tally.samples}",
            *count_lines(self.tally),
            f"dust caught      {plant['dust_caught_kg']:.1f} kg",
            f"pulse air        {plant['air_used_kg']:.1f} kg",
        ]
        if plant["dust_emitted_kg"] > 0.0:
            lines.append(f"dust let through {plant['dust_emitted_kg']:.3g} kg")
        return [*lines, f"note: {CAVEAT}"]


_MOST_BINS = 6000
_FIRST_BIN_S = 1.0
_ACTIVE = ("unacknowledged", "acknowledged")
_MOST_ALARMS = 2000
"""Spans kept, so that an alarm that comes and goes for a year cannot fill the memory."""


class Curve:
    """A quantity over time: for each bin of time its first, lowest, highest and last value."""

    def __init__(self) -> None:
        self.first = array("d")
        self.low = array("d")
        self.high = array("d")
        self.last = array("d")

    def take(self, value: float, new_bin: bool) -> None:
        """The value at present."""
        if new_bin:
            for each in (self.first, self.low, self.high, self.last):
                each.append(value)
        else:
            self.low[-1] = min(self.low[-1], value)
            self.high[-1] = max(self.high[-1], value)
            self.last[-1] = value

    def merge(self, groups: Sequence[slice]) -> None:
        """Make one bin of each group."""
        self.first = array("d", (self.first[each.start] for each in groups))
        self.low = array("d", (min(self.low[each]) for each in groups))
        self.high = array("d", (max(self.high[each]) for each in groups))
        self.last = array("d", (self.last[each.stop - 1] for each in groups))


@dataclass(slots=True)
class AlarmSpan:
    """When an alarm was active. `until_s` None: to the end of the run."""

    alarm: str
    since_s: float
    until_s: float | None = None


class Curves:
    """A record of a run. When there are too many bins, they become twice as long.

    Each bin keeps its extremes, so that a short peak of dP or the dip of a single pulse shows.
    """

    def __init__(self, rows: int) -> None:
        self.from_s = array("d")
        """For each bin, when it was first sampled, and in `to_s` last."""
        self.to_s = array("d")
        self.dp_pa = Curve()
        self.flow_m3_s = Curve()
        self.header_pa = Curve()
        self.cake_kg_m2 = [Curve() for _ in range(rows)]
        self.alarms: list[AlarmSpan] = []
        self._bin_s = _FIRST_BIN_S
        self._ends_s = 0.0

    def watch(self, loop: ClosedLoop) -> None:
        """Take in the present moment of a run."""
        one, t_s = loop.field.collector, loop.t_s
        new_bin = t_s >= self._ends_s
        if new_bin:
            self.from_s.append(t_s)
            self.to_s.append(t_s)
            self._ends_s = (t_s // self._bin_s + 1.0) * self._bin_s
        else:
            self.to_s[-1] = t_s
        self.dp_pa.take(one.point.dp_pa, new_bin)
        self.flow_m3_s.take(one.point.flow_m3_s, new_bin)
        self.header_pa.take(one.state.header_gauge_pa, new_bin)
        for curve, cake in zip(self.cake_kg_m2, one.state.cake_kg_m2, strict=True):
            curve.take(cake, new_bin)
        if len(self.from_s) >= _MOST_BINS:
            self._lengthen_bins()

    def _lengthen_bins(self) -> None:
        while len(self.from_s) >= _MOST_BINS:
            self._bin_s *= 2.0
            numbers = [t_s // self._bin_s for t_s in self.from_s]
            starts = [n for n, at in enumerate(numbers) if n == 0 or at != numbers[n - 1]]
            ends = [*starts[1:], len(numbers)]
            groups = [slice(start, end) for start, end in zip(starts, ends, strict=True)]
            self.from_s = array("d", (self.from_s[each.start] for each in groups))
            self.to_s = array("d", (self.to_s[each.stop - 1] for each in groups))
            for curve in (self.dp_pa, self.flow_m3_s, self.header_pa, *self.cake_kg_m2):
                curve.merge(groups)
        self._ends_s = (self.to_s[-1] // self._bin_s + 1.0) * self._bin_s

    def note(self, event: Event) -> None:
        """Take in an event of the run."""
        body = event.body
        if not isinstance(body, AlarmChanged):
            return
        under_way = [
            each for each in self.alarms if each.alarm == body.alarm and each.until_s is None
        ]
        if body.state in _ACTIVE:
            if not under_way and len(self.alarms) < _MOST_ALARMS:
                self.alarms.append(AlarmSpan(body.alarm, event.at.mono_s))
        else:
            for each in under_way:
                each.until_s = event.at.mono_s
