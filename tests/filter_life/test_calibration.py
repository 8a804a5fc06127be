"""Ranges of filter life against simulated lives: as often right as they say, and how wide."""

from collections.abc import Iterator
from dataclasses import dataclass
from statistics import median

import pytest

from dustcake.core.filter_life.forecast import CONFIDENCE, Forecast, Outlook, forecast
from dustcake.core.filter_life.state import Conditions, Residuals
from filter_life.lives import LAWS, Life, a_life

SEEDS = 80  # of each law


@dataclass(frozen=True)
class Judged:
    """``width``: of the range, as a part of what truly remained; infinite where it is open."""

    law: str
    holds: bool
    too_late: bool
    width: float


def seen(life: Life, until_h: float) -> Residuals:
    """What the daemon would have gathered by then."""
    gathered = Residuals()
    for hours, pa in zip(life.hours, life.residuals_pa, strict=True):
        if hours > until_h:
            break
        changed = life.step_h is not None and hours >= life.step_h
        conditions = Conditions("on_demand", True, 760.0 if changed else 750.0, 1000.0, 0, 0)
        if gathered.wants(hours):
            gathered = gathered.with_reading(hours, pa, conditions)
    return gathered.closed()


def told(life: Life, part: float) -> Forecast:
    now_h = part * life.end_h
    return forecast(seen(life, now_h).points, now_h, life.limit_pa)


def judged(part: float, seeds: int) -> Iterator[Judged]:
    for law in LAWS:
        for seed in range(seeds):
            life = a_life(law, seed)
            now = told(life, part)
            if now.outlook is Outlook.NOT_ENOUGH_DATA:
                # Rightly so only soon after a step: what came before has another level.
                assert life.step_h is not None
                assert part * life.end_h - life.step_h < 0.05 * life.end_h
                continue
            remaining_h = (1.0 - part) * life.end_h
            low_h = now.horizon_h if now.low_h is None else now.low_h
            high_h = float("inf") if now.high_h is None else now.high_h
            holds = low_h <= remaining_h <= high_h
            yield Judged(law, holds, remaining_h < low_h, (high_h - low_h) / remaining_h)


def share(found: list[Judged]) -> float:
    return sum(each.holds for each in found) / len(found)


def test_at_half_life_a_range_holds_as_often_as_it_says() -> None:
    found = list(judged(0.5, SEEDS))
    assert len(found) >= 390
    print(f"\nat half life: {len(found)} lives, {CONFIDENCE:.0%} ranges")
    for law in LAWS:
        of_law = [each for each in found if each.law == law]
        late = sum(each.too_late for each in of_law) / len(of_law)
        print(
            f"{law:12} holds {share(of_law):.0%}, end came earlier {late:.0%}, "
            f"median width {median(each.width for each in of_law):.2f} of what remained"
        )
        # No law may be the victim of the others.
        assert 0.55 <= share(of_law) <= 0.99, law
    width = median(each.width for each in found)
    print(f"{'all':12} holds {share(found):.1%}, median width {width:.2f}")
    assert 0.72 <= share(found) <= 0.90
    assert width <= 1.3


@pytest.mark.parametrize(("part", "widest"), [(0.3, 4.0), (0.75, 1.0)])
def test_earlier_and_later_it_holds_too(part: float, widest: float) -> None:
    found = list(judged(part, 30))
    width = median(each.width for each in found)
    print(f"\nat {part:.0%} of life: holds {share(found):.1%}, median width {width:.2f}")
    assert 0.70 <= share(found) <= 0.97
    assert width <= widest
