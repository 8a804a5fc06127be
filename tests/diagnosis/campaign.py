"""How surely and how soon faults are found, and how often one is found that is not there.

    python tests/diagnosis/campaign.py --worlds 50 --weeks 100

prints the table of tests/bench/FIGURES.md; a smaller part of it runs with the tests.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parents[1]))

from diagnosis.faults import FAULTS, WARM_S, Fault, Outcome, tried
from diagnosis.worlds import DAY_S, World, at_work, in_shifts, world
from dustcake.core.events import Event, FindingChanged, QualityChanged
from dustcake.core.reading import Quality
from dustcake.core.requests.kinds import Mode
from dustcake_loop.closed_loop import ClosedLoop

Warm = list[tuple[World, ClosedLoop]]
WEEK_S = 7 * DAY_S


def is_told(event: Event) -> bool:
    """Whether an event tells of something that is wrong with reading, valves, header or filters."""
    body = event.body
    if isinstance(body, FindingChanged):
        return body.found
    return isinstance(body, QualityChanged) and body.quality != Quality.GOOD


def warmed(seeds: Sequence[int], *, header: bool) -> tuple[Warm, list[tuple[int, Event]]]:
    """Worlds that have worked without a fault for a while, and what they told all the same."""
    warm, told = [], []
    for seed in seeds:
        one = world(seed, header=header)
        loop = at_work(one)
        told += [(seed, event) for event in loop.events(WARM_S) if is_told(event)]
        warm.append((one, loop))
    return warm, told


def without_fault(seed: int) -> list[Event]:
    """What a week of shifts tells in a world without a fault: every fourth is cleaned by time, and
    every fourth has no header transmitter."""
    mode = Mode.TIMED if seed % 4 == 2 else Mode.ON_DEMAND
    loop = in_shifts(world(seed, header=seed % 4 != 3, mode=mode))
    return [event for event in loop.events(WEEK_S) if is_told(event)]


def outcomes(fault: Fault, warm: Warm) -> list[tuple[int, Outcome]]:
    """What came of a fault in each world, by its seed."""
    return [(one.seed, tried(fault, one, loop)) for one, loop in warm]


def _spread(values: list[float]) -> str:
    """Median and nine in ten."""
    ordered = sorted(values)
    if not ordered:
        return "-"
    return f"{ordered[len(ordered) // 2]:.3g} / {ordered[int(0.9 * (len(ordered) - 1))]:.3g}"


def table(seeds: Sequence[int]) -> Iterator[str]:
    """The table's rows, as Markdown."""
    warm = {header: warmed(seeds, header=header) for header in (True, False)}
    yield "| fault | found | minutes, median / 9 in 10 | pulses, median / 9 in 10 |"
    yield "| --- | --- | --- | --- |"
    for fault in FAULTS:
        rows = outcomes(fault, warm[fault.header][0])
        told = [each for _, each in rows if each.told]
        missed = [seed for seed, each in rows if not each.told]
        by_pulses = [each for each in told if not each.at_stop]
        stops = len(told) - len(by_pulses)
        name = fault.name + (f" ({stops} at the stop of the blower)" if stops else "")
        minutes = _spread([each.delay_s / 60 for each in told])
        pulses = _spread([float(each.pulses) for each in by_pulses])
        found = f"{len(told)} of {len(rows)}"
        yield f"| {name} | {found} | {minutes} | {pulses} |"
        if missed:
            yield f"missed: {missed}"
    for _, told_warm in warm.values():
        for seed, event in told_warm:
            yield f"without a fault, world {seed}: {event.body}"


def main() -> None:
    """Print it all."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--worlds", type=int, default=50)
    parser.add_argument("--weeks", type=int, default=100)
    chosen = parser.parse_args()
    for row in table(range(chosen.worlds)):
        print(row, flush=True)
    false = 0
    for seed in range(1000, 1000 + chosen.weeks):
        for event in without_fault(seed):
            false += 1
            print(f"week {seed}, hour {event.at.mono_s / 3600:.1f}: {event.body}", flush=True)
    print(f"{false} false alarms in {chosen.weeks} weeks without a fault")


if __name__ == "__main__":
    main()
