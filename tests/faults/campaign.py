"""Days and days of one collector after the other, each with its own faults, all from their seeds.

Run from ``tests/``:

    python -m faults.campaign --days 20000 --from-seed 100000    as long as you like
    python -m faults.campaign --seed 4711 --trace                one day again, line by line

A day that fails prints its seed, what was wrong and the last lines of its ledger. Days are spread
over all processors. A day is decided by its seed alone.
"""

import argparse
import gc
import multiprocessing
import os
import sys
import time
import traceback
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

from faults.loop import Violation
from faults.reached import Cell, table
from faults.wanted import wanted_cells
from faults.world import World, play

COLLECT_EVERY = 8  # days between two collections of garbage: in between it only costs time


@dataclass
class Day:
    """One day's result. ``wrong``: what an invariant objected to, with the ledger's end."""

    seed: int
    cpu_s: float
    wrong: str = ""
    digest: str = ""
    counts: Counter[Cell] = field(default_factory=Counter)
    totals: Counter[str] = field(default_factory=Counter)
    longest_excess_s: float = 0.0


@dataclass
class Campaign:
    """All days together."""

    days: int = 0
    cpu_s: float = 0.0
    wrong: list[Day] = field(default_factory=list)
    counts: Counter[Cell] = field(default_factory=Counter)
    totals: Counter[str] = field(default_factory=Counter)
    longest_excess_s: float = 0.0

    def add(self, day: Day) -> None:
        """One more day."""
        self.days += 1
        self.cpu_s += day.cpu_s
        self.counts += day.counts
        self.totals += day.totals
        self.longest_excess_s = max(self.longest_excess_s, day.longest_excess_s)
        if day.wrong:
            self.wrong.append(day)

    def figures(self) -> str:
        """What was done, in numbers."""
        per_day_s = self.cpu_s / max(1, self.days)
        totals = "\n".join(f"{n:11d}  {what}" for what, n in sorted(self.totals.items()))
        return (
            f"{self.days:11d}  simulated collector-days, {len(self.wrong)} of them failed\n"
            f"{per_day_s:11.3f}  s of one processor for a day\n"
            f"{self.longest_excess_s:11.3f}  s longest a valve was on beyond its on-time, "
            f"daemon alive and outputs answering\n{totals}"
        )


def one_day(seed: int, **options: object) -> Day:
    """Play one day and report."""
    began_s = time.process_time()
    wrong = ""
    try:
        world: World = play(seed, **options)
    except Violation as violation:
        world = violation.world
        wrong = _account(seed, violation)
    except Exception as error:
        error.add_note(f"seed {seed}")
        raise
    counts = Counter(world.reached.counts)
    return Day(
        seed,
        time.process_time() - began_s,
        wrong,
        world.ledger.digest,
        counts,
        _totals(world, counts),
        world.field.module.longest_excess_s,
    )


def _totals(world: World, counts: Counter[Cell]) -> Counter[str]:
    return Counter(
        {
            "lives of a daemon": world.lives,
            "crashes": sum(n for (name, _), n in counts.items() if name == "crash"),
            "faults drawn": world.trouble.struck,
            "pulses": len(world.field.module.pulses),
            "commits": world.disk.commits,
            "events on record at the end": len(world.audit.events),
            "events told twice": world.broker.duplicates,
            "inputs stepped again from the journal": world.audit.replayed,
        }
    )


def _account(seed: int, violation: Violation) -> str:
    lines = "\n".join(violation.world.ledger.last)
    cause = violation.__cause__
    trace = "" if cause is None else "".join(traceback.format_exception(cause))
    return (
        f"{lines}\n{trace}\nseed {seed}: {violation}\n"
        f"again, with every line, from tests/: "
        f"python -m faults.campaign --seed {seed} --trace\n"
    )


def _worker() -> None:
    gc.disable()


def _work(seed: int) -> Day:
    if seed % COLLECT_EVERY == 0:
        gc.collect()
    return one_day(seed)


def run(seeds: Iterable[int], tell: Callable[[str], None] = print) -> Campaign:
    """Play all of these days on all processors."""
    campaign = Campaign()
    with multiprocessing.get_context("spawn").Pool(os.cpu_count(), _worker) as pool:
        for day in pool.imap(_work, seeds, chunksize=4):
            campaign.add(day)
            if day.wrong:
                tell(day.wrong)
            if campaign.days % 200 == 0:
                tell(f"{campaign.days} days")
    return campaign


def main() -> int:
    """The command line."""
    parser = argparse.ArgumentParser(prog="python -m faults.campaign", description=__doc__)
    parser.add_argument("--days", type=int, default=2000)
    parser.add_argument("--from-seed", type=int, default=0)
    parser.add_argument("--seed", type=int, nargs="+", help="play only these days")
    parser.add_argument("--trace", action="store_true", help="with --seed: print every line")
    arguments = parser.parse_args()
    if arguments.seed:
        failed = False
        for seed in arguments.seed:
            day = one_day(seed, trace=print if arguments.trace else None)
            print(f"seed {seed} {day.digest} {day.wrong}")
            failed = failed or bool(day.wrong)
        return int(failed)
    first = arguments.from_seed
    campaign = run(range(first, first + arguments.days))
    print(table(campaign.counts, wanted_cells()))
    print(campaign.figures())
    return int(bool(campaign.wrong))


if __name__ == "__main__":
    sys.exit(main())
