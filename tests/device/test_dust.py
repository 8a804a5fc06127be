"""Dust by shifts, breaks and bursts."""

from __future__ import annotations

import pytest

from dustcake_sim.dust import DAY_S, Break, Bursts, DustProfile, LoadStep, Shift

HOUR_S = 3600.0
EARLY = Shift(
    days=("mon", "tue"),
    from_h=6.0,
    to_h=14.0,
    dust_g_m3=2.0,
    breaks=(Break(from_h=9.0, to_h=9.25),),
)
LATE = Shift(days=("mon",), from_h=14.0, to_h=22.0, dust_g_m3=1.0)


def profile(bursts: Bursts | None = None, seed: int = 0) -> DustProfile:
    return DustProfile((), None, (EARLY, LATE), bursts, seed)


@pytest.mark.parametrize(
    ("hour", "dust", "working", "manned", "until_h"),
    [
        (0.0, 0.0, False, False, 6.0),
        (6.0, 2.0, True, True, 9.0),
        (9.0, 0.0, False, True, 9.25),
        (9.25, 2.0, True, True, 14.0),
        (14.0, 1.0, True, True, 22.0),
        (22.0, 0.0, False, False, 24.0),
        (24.0 + 13.9, 2.0, True, True, 38.0),
        (24.0 + 15.0, 0.0, False, False, 48.0),
        (3 * 24.0 + 10.0, 0.0, False, False, 96.0),
        (7 * 24.0 + 7.0, 2.0, True, True, 177.0),
    ],
)
def test_shifts(hour: float, dust: float, working: bool, manned: bool, until_h: float) -> None:
    work = profile().at(hour * HOUR_S)
    assert (work.dust_g_m3, work.working, work.manned) == (dust, working, manned)
    assert work.until_s == pytest.approx(until_h * HOUR_S)


def changes(dust: DustProfile, days: int) -> list[tuple[float, float]]:
    """When the dust changes to what, walking from change to change."""
    at_s, told = 0.0, []
    while at_s < days * DAY_S:
        work = dust.at(at_s)
        assert work.until_s > at_s
        told.append((at_s, work.dust_g_m3))
        at_s = work.until_s
    return told


def test_bursts_are_seeded_and_as_long_and_frequent_as_said() -> None:
    steady = (LoadStep(at_s=0.0, dust_g_m3=1.0),)
    bursts = Bursts(mean_every_s=1800.0, length_s=120.0, factor=4.0)
    runs = [changes(DustProfile(steady, None, (), bursts, seed), 30) for seed in (1, 1, 2)]
    assert runs[0] == runs[1]
    assert runs[0] != runs[2]
    ends = [*runs[0][1:], (30 * DAY_S, 1.0)]
    lengths = [
        end_s - at_s for (at_s, dust), (end_s, _) in zip(runs[0], ends, strict=True) if dust == 4.0
    ]
    assert max(lengths) == pytest.approx(120.0)
    assert len(lengths) == pytest.approx(30 * DAY_S / 1920.0, rel=0.1)
    assert sum(lengths) / (30 * DAY_S) == pytest.approx(120.0 / 1920.0, rel=0.1)


def test_any_time_may_be_asked_for_in_any_order() -> None:
    dust = profile(Bursts(mean_every_s=900.0, length_s=60.0, factor=3.0), seed=4)
    told = changes(dust, 9)
    assert [dust.at(at_s).dust_g_m3 for at_s, _ in reversed(told)] == [
        amount for _, amount in reversed(told)
    ]


def test_a_load_profile_repeats_and_says_until_when() -> None:
    steps = (LoadStep(at_s=0.0, dust_g_m3=1.0), LoadStep(at_s=100.0, dust_g_m3=2.0))
    once = DustProfile(steps, None, (), None, 0)
    assert (once.at(99.0).until_s, once.at(100.0).until_s) == (100.0, float("inf"))
    again = DustProfile(steps, 150.0, (), None, 0)
    told = [(again.at(at_s).dust_g_m3, again.at(at_s).until_s) for at_s in (149.0, 150.0, 260.0)]
    assert told == [(2.0, 150.0), (1.0, 250.0), (2.0, 300.0)]
