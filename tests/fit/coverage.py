"""How often the intervals of a fit hold the truth, on collectors unlike each other: by hand, as
``cd tests && python -m fit.coverage 100``, with a part of a name for some of them. The table stands
in the lab's README.md."""

import sys
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from dustcake_lab.fit.collector import FittedCollector, fit_collector
from dustcake_lab.fit.data import TooThinError
from fit.independent import Collector, Truth

PARAMETERS = ("load", "residual", "removed", "scatter")


@dataclass(frozen=True)
class World:
    """A kind of collector, and how it is run while the trace is made."""

    truth: Truth
    lives: Callable[[Collector], None]


def _moved(collector: Collector) -> None:
    """Set points moved from day to day, as one would to learn something."""
    for day, (low_pa, high_pa) in enumerate(((750, 1000), (800, 1150), (700, 900), (750, 1000)), 1):
        collector.on_demand(float(day), low_pa, high_pa)


BASE = Truth()
WORLDS = {
    "steady load": World(BASE, lambda one: one.on_demand(3.0)),
    "six rows, weak pulses": World(
        replace(BASE, rows=6, dust_kg_m3=2e-3, removed=0.35, scatter=0.1),
        lambda one: one.on_demand(2.0, 800.0, 1150.0),
    ),
    "hours unlike each other": World(replace(BASE, gusts=0.4), lambda one: one.on_demand(3.0)),
    "pulses unlike each other": World(replace(BASE, scatter=0.15), lambda one: one.on_demand(4.0)),
    "moved set points": World(replace(BASE, gusts=0.2), _moved),
}


@dataclass
class Coverage:
    """Of one world: fits, refusals, how often each interval held, and half its width over the
    truth."""

    fits: int
    refused: Counter[str]
    held: dict[str, float]
    width: dict[str, float]
    errors: dict[str, float]


def coverage(world: World, seeds: range) -> Coverage:
    """Fit a trace for each seed."""
    fits, refused = [], Counter[str]()
    for seed in seeds:
        collector = Collector(world.truth, seed)
        world.lives(collector)
        order = tuple(range(1, world.truth.rows + 1))
        try:
            fits.append(fit_collector(*collector.trace(), order))
        except TooThinError as error:
            refused[str(error)[:40]] += 1
    truth = world.truth
    true = (truth.load_pa_per_s, truth.residual_pa, truth.removed, truth.scatter)
    held, width, errors = {}, {}, {}
    for name, value in zip(PARAMETERS, true, strict=True):
        held[name], width[name], errors[name] = _judged(fits, name, value)
    return Coverage(len(fits), refused, held, width, errors)


def _judged(fits: list[FittedCollector], name: str, truth: float) -> tuple[float, float, float]:
    low = np.array([getattr(fit, name).low for fit in fits])
    high = np.array([getattr(fit, name).high for fit in fits])
    value = np.array([getattr(fit, name).value for fit in fits])
    held = float(((low <= truth) & (truth <= high)).mean())
    width = float(np.median(high - low)) / 2.0 / truth
    return held, width, 1.96 * float(np.sqrt(((value / truth - 1.0) ** 2).mean()))


AGED = (
    replace(BASE, rise_pa_per_h=0.25, step_s=20, gusts=0.1),
    replace(BASE, rise_pa_per_h=0.1, step_s=20, gusts=0.3),
)


def rises_held(seeds: range) -> tuple[int, int]:
    """How many intervals hold the rise of residual dP over two weeks, and of how many."""
    held = of = 0
    for seed in seeds:
        for truth in AGED:
            collector = Collector(truth, seed)
            collector.on_demand(7.0, 780.0, 1000.0)
            collector.on_demand(14.0, 850.0, 1120.0)
            ageing = fit_collector(*collector.trace(), (1, 2, 3, 4)).ageing
            assert not isinstance(ageing, str)
            held += ageing.rise.low <= 1000.0 * truth.rise_pa_per_h <= ageing.rise.high
            of += 1
    return held, of


if __name__ == "__main__":
    seeds = range(int(sys.argv[1]) if len(sys.argv) > 1 else 20)
    for name, world in WORLDS.items():
        if len(sys.argv) > 2 and sys.argv[2] not in name:
            continue
        found = coverage(world, seeds)
        print(f"{name}: {found.fits} fits, refused {dict(found.refused)}")
        for each in PARAMETERS:
            print(
                f"  {each:<9} held {found.held[each]:.0%}, half width {found.width[each]:.1%}, "
                f"1.96 rms error {found.errors[each]:.1%}",
                flush=True,
            )
    if len(sys.argv) <= 2:
        held, of = rises_held(range(len(seeds) // 5))
        print(f"rise of residual dP: held in {held} of {of}")
