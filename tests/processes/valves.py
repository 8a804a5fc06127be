"""What the valves did, by the device's own word."""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path


@dataclass
class Pulse:
    """Power on one valve, on the computer's monotonic clock. ``device``: which start of the
    device it was, from 1."""

    valve: int
    on_s: float
    off_s: float
    device: int


def pulses(log: Path, deaths_s: Sequence[float]) -> list[Pulse]:
    """Every pulse in the simulator's valve log, in order. A device that dies lets its valves go:
    ``deaths_s`` are the times at which one did."""
    found: list[Pulse] = []
    running: dict[int, Pulse] = {}
    device = 0
    for line in map(json.loads, log.read_text().splitlines()):
        at_s = line["mono_s"]
        if line["event"] == "started":
            device += 1
            died_s = max((s for s in deaths_s if s <= at_s), default=at_s)
            for one in running.values():
                one.off_s = died_s
            running.clear()
        elif line["event"] == "on":
            one = running[line["valve"]] = Pulse(line["valve"], at_s, float("inf"), device)
            found.append(one)
        else:
            running.pop(line["valve"]).off_s = at_s
    return found


def two_at_once(found: Sequence[Pulse]) -> list[tuple[Pulse, Pulse]]:
    """Pulses that began before the one before had ended."""
    return [(a, b) for a, b in pairwise(found) if b.on_s < a.off_s]


def longest_on_s(found: Sequence[Pulse]) -> float:
    """The longest time any valve had power."""
    return max(one.off_s - one.on_s for one in found)


def shortest_interval_s(found: Sequence[Pulse]) -> float:
    """The shortest time from the beginning of one pulse to that of the next."""
    return min(b.on_s - a.on_s for a, b in pairwise(found))
