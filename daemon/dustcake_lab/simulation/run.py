"""What a simulated run came to: the core's side as in a replay, and the plant's."""

from collections.abc import Iterator
from typing import Any

from dustcake.core.events import Event
from dustcake.core.stamp import Stamp
from dustcake_lab.replay.listing import count_lines, counts
from dustcake_lab.replay.tally import Tally
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
        """The plant's side of the summary: totals since the start, and how it stands at the end."""
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
