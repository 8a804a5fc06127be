"""The output module: coils, one-shot functions, a sequencer board and an output watchdog.

It also keeps count, from the device's own side, of what it was made to do: pulses, two valves
energised at once, the longest time a valve was energised. Those counts are how a test proves the
controller's safety rules without asking the controller.

Times are the module's own, s, handed in by the caller; every change is dealt with at its exact
time and in order, however rarely `settle` is called.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field


@dataclass(slots=True)
class OutputSettings:
    """What a user can set on the module through its holding registers."""

    one_shot_s: float = 0.1
    watchdog_s: float = 0.0
    """0 = off."""
    sequencer_interval_s: float = 10.0
    sequencer_on_s: float = 0.1


@dataclass(slots=True)
class OutputCounts:
    """What the module was made to do since the start."""

    pulses: list[int]
    """Times each valve was energised."""
    two_valves_at_once: int = 0
    """Times a valve was energised while another was."""
    longest_on_s: float = 0.0
    """Longest time a valve was energised, once it had ended."""
    watchdog_trips: int = 0


@dataclass(slots=True)
class OutputModule:
    """The outputs of one collector. Valves are numbered from 0 here."""

    valves: int
    settings: OutputSettings = field(default_factory=OutputSettings)
    switched: Callable[[int, bool, float], None] | None = None
    """Told of each valve that gets power (True) or loses it, with the time it did."""
    counts: OutputCounts = field(init=False)
    demand: bool = field(init=False, default=False)
    blower_request: bool = field(init=False, default=False)
    _plain: list[bool] = field(init=False)
    _one_shot_end_s: dict[int, float] = field(init=False, default_factory=dict)
    _sequencer_end_s: dict[int, float] = field(init=False, default_factory=dict)
    _sequencer_due_s: float = field(init=False, default=math.inf)
    _sequencer_next: int = field(init=False, default=0)
    _on_since_s: dict[int, float] = field(init=False, default_factory=dict)
    _last_request_s: float = field(init=False, default=0.0)
    _settled_s: float = field(init=False, default=0.0)

    def __post_init__(self) -> None:
        self.counts = OutputCounts(pulses=[0] * self.valves)
        self._plain = [False] * self.valves

    def request_seen(self, now_s: float) -> None:
        """Note a valid request, which holds the watchdog off. Settle to `now_s` before."""
        self._last_request_s = now_s

    def switch_valves(
        self, plain: Mapping[int, bool], one_shot: Mapping[int, bool], now_s: float
    ) -> None:
        """Switch several valves in the same instant.

        `plain` valves stay as set. `one_shot` ones switch themselves off after the one-shot time;
        ON while one is running changes nothing, OFF ends it early.
        """
        for valve, on in plain.items():
            self._plain[valve] = on
        for valve, on in one_shot.items():
            if not on:
                self._one_shot_end_s.pop(valve, None)
            elif valve not in self._one_shot_end_s:
                self._one_shot_end_s[valve] = now_s + self.settings.one_shot_s
        self._note_edges(now_s)

    def switch_demand(self, on: bool, now_s: float) -> None:
        """Close or open the sequencer's demand contact. A pulse under way is finished."""
        if on and not self.demand:
            self._sequencer_due_s = now_s
        elif not on:
            self._sequencer_due_s = math.inf
        self.demand = on
        self.settle(now_s)

    def plain_state(self, valve: int) -> bool:
        """Whether the plain coil of this valve is on."""
        return self._plain[valve]

    def one_shot_state(self, valve: int) -> bool:
        """Whether the one-shot function of this valve is running."""
        return valve in self._one_shot_end_s

    def energised(self) -> tuple[bool, ...]:
        """For each valve, whether its solenoid has power, as of the last `settle`."""
        if not self._on_since_s:
            return (False,) * self.valves
        return tuple(valve in self._on_since_s for valve in range(self.valves))

    def longest_on_s(self) -> float:
        """Longest time a valve was energised, s, counting one that still is."""
        running = (self._settled_s - since_s for since_s in self._on_since_s.values())
        return max(self.counts.longest_on_s, max(running, default=0.0))

    def settle(self, now_s: float) -> None:
        """Deal with everything that was due up to and at `now_s`."""
        while (due_s := self.next_due_s()) <= now_s:
            self._end_expired(due_s)
            if self._watchdog_due_s() <= due_s:
                self._drop_all()
                self.counts.watchdog_trips += 1
            if self._sequencer_due_s <= due_s:
                self._fire_sequencer(due_s)
            self._note_edges(due_s)
        self._settled_s = max(self._settled_s, now_s)

    def _watchdog_due_s(self) -> float:
        holding = (
            any(self._plain) or self._one_shot_end_s or self._sequencer_end_s
            or self.demand or self.blower_request
        )  # fmt: skip
        if self.settings.watchdog_s <= 0.0 or not holding:
            return math.inf
        return self._last_request_s + self.settings.watchdog_s

    def next_due_s(self) -> float:
        """When something changes by itself next: `settle` then deals with it."""
        ends = [*self._one_shot_end_s.values(), *self._sequencer_end_s.values()]
        return min(self._sequencer_due_s, self._watchdog_due_s(), *ends, math.inf)

    def _end_expired(self, now_s: float) -> None:
        for running in (self._one_shot_end_s, self._sequencer_end_s):
            for valve in [valve for valve, end_s in running.items() if end_s <= now_s]:
                del running[valve]

    def _fire_sequencer(self, now_s: float) -> None:
        self._sequencer_end_s[self._sequencer_next] = now_s + self.settings.sequencer_on_s
        self._sequencer_next = (self._sequencer_next + 1) % self.valves
        self._sequencer_due_s = now_s + self.settings.sequencer_interval_s

    def switch_all_off(self, now_s: float) -> None:
        """Switch every valve and the demand contact off; the blower request stays."""
        request = self.blower_request
        self._drop_all()
        self.blower_request = request
        self._note_edges(now_s)

    def _drop_all(self) -> None:
        self._plain = [False] * self.valves
        self._one_shot_end_s.clear()
        self._sequencer_end_s.clear()
        self._sequencer_due_s = math.inf
        self.demand = False
        self.blower_request = False

    def _note_edges(self, now_s: float) -> None:
        wanted = [
            plain or valve in self._one_shot_end_s or valve in self._sequencer_end_s
            for valve, plain in enumerate(self._plain)
        ]
        for valve, on in enumerate(wanted):
            if not on and valve in self._on_since_s:
                on_s = now_s - self._on_since_s.pop(valve)
                self.counts.longest_on_s = max(self.counts.longest_on_s, on_s)
                self._tell(valve, False, now_s)
        for valve, on in enumerate(wanted):
            if on and valve not in self._on_since_s:
                self.counts.pulses[valve] += 1
                if self._on_since_s:
                    self.counts.two_valves_at_once += 1
                self._on_since_s[valve] = now_s
                self._tell(valve, True, now_s)

    def _tell(self, valve: int, on: bool, now_s: float) -> None:
        if self.switched is not None:
            self.switched(valve, on, now_s)
