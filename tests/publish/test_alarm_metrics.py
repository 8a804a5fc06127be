"""The metrics of alarms, on lists short enough to count by hand.

Targets and definitions: ISA-18.2, from secondary sources.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dustcake.publish.alarm_metrics import Change, Metrics, metrics

HOUR_S, DAY_S = 3600.0, 86_400.0
UP, ACK, BACK, NORMAL = "unacknowledged", "acknowledged", "returned", "normal"


def up(*times: float, alarm: str = "high_dp", priority: str = "medium") -> list[Change]:
    return [Change(t, "bay-3", alarm, UP, priority) for t in times]


def went(at_s: float, state: str, alarm: str = "high_dp") -> Change:
    return Change(at_s, "bay-3", alarm, state, "medium")


def of(changes: list[Change], to_s: float = DAY_S, from_s: float = 0.0) -> Metrics:
    return metrics(sorted(changes, key=lambda c: c.at_s), from_s, to_s)


def test_no_alarms_at_all() -> None:
    found = of([])
    assert (found.raised, found.per_hour, found.most_in_ten_minutes) == (0, 0.0, 0)
    assert (found.floods, found.alarms, found.flooded_share) == ((), (), 0.0)


def test_rates() -> None:
    found = of(up(*(HOUR_S * i for i in range(12))), to_s=2 * DAY_S)
    assert (found.raised, found.per_hour, found.per_day) == (12, 0.25, 6.0)


def test_only_what_is_raised_in_the_time_looked_at_counts() -> None:
    changes = [*up(10.0, 200.0, 1000.0), went(250.0, ACK), went(260.0, BACK), went(270.0, NORMAL)]
    assert of(changes, from_s=100.0, to_s=500.0).raised == 1


@pytest.mark.parametrize(("count", "floods"), [(10, 0), (11, 1)])
def test_a_flood_is_more_than_ten_in_ten_minutes(count: int, floods: int) -> None:
    found = of(up(*(1000.0 + 59.0 * i for i in range(count))))
    assert (len(found.floods), found.most_in_ten_minutes) == (floods, count)


def test_eleven_in_more_than_ten_minutes_are_no_flood() -> None:
    found = of(up(*(60.0 * i for i in range(11))))
    assert (found.floods, found.most_in_ten_minutes) == ((), 10)


def test_a_flood_lasts_until_a_ten_minute_window_has_fewer_than_five() -> None:
    """Eleven at once, then one every 119 s keeps five in ten minutes; the last of them ends it."""
    trickle = [100.0 + 119.0 * i for i in range(1, 11)]
    found = of(up(*([100.0] * 11), *trickle, 5000.0))
    (flood,) = found.floods
    assert (flood.from_s, flood.raised) == (100.0, 21)
    assert flood.to_s == trickle[-5] + 600.0
    assert found.flooded_share == 1 / 144, "one ten-minute period of the day"


def test_one_that_comes_too_late_does_not_keep_it_up() -> None:
    """Every 140 s there are but four in the ten minutes before the next."""
    (flood,) = of(up(*([100.0] * 11), *(100.0 + 140.0 * i for i in range(1, 11)))).floods
    assert (flood.to_s, flood.raised) == (700.0, 15)


def test_a_flood_that_is_not_over() -> None:
    (flood,) = of(up(*([100.0] * 12)), to_s=300.0).floods
    assert (flood.to_s, flood.raised) == (300.0, 12)


def test_two_floods() -> None:
    found = of(up(*([100.0] * 11), *([5000.0] * 13)))
    assert [flood.raised for flood in found.floods] == [11, 13]


def test_chattering_is_three_times_in_a_minute() -> None:
    found = of([*up(0.0, 30.0, 59.9), *up(0.0, 30.0, 60.0, alarm="low_dp")])
    assert [one.alarm for one in found.chattering] == ["high_dp"]


def test_shares_frequency_and_priorities() -> None:
    found = of([*up(1.0, 900.0, 1800.0, alarm="a"), *up(5.0, alarm="b", priority="low")])
    assert [(one.alarm, one.raised, one.share) for one in found.alarms] == [
        ("a", 3, 0.75),
        ("b", 1, 0.25),
    ]
    assert found.by_priority == {"medium": 3, "low": 1}


def test_time_in_alarm_counts_while_active_whether_acknowledged_or_not() -> None:
    changes = [*up(100.0), went(150.0, ACK), went(300.0, NORMAL), *up(400.0), went(450.0, BACK)]
    assert of(changes).alarms[0].active_s == 250.0


def test_time_in_alarm_begins_and_ends_with_the_time_looked_at() -> None:
    changes = [*up(100.0), went(900.0, NORMAL), *up(1000.0)]
    assert of(changes, from_s=500.0, to_s=1200.0).alarms[0].active_s == 400.0 + 200.0


@pytest.mark.parametrize(("to_s", "stale"), [(DAY_S + 100.0, False), (DAY_S + 100.1, True)])
def test_stale_is_active_for_more_than_a_day_also_when_acknowledged(
    to_s: float, stale: bool
) -> None:
    found = of([*up(100.0), went(50_000.0, ACK)], to_s=to_s)
    assert bool(found.stale) is stale
    assert found.alarms[0].since_s == 100.0


def test_what_went_back_is_not_stale() -> None:
    assert of([*up(100.0), went(200.0, BACK)], to_s=9 * DAY_S).stale == ()


@pytest.mark.parametrize("state", ["shelved", "suppressed_by_design", "out_of_service"])
def test_what_is_out_of_view_is_listed_since_when_it_is(state: str) -> None:
    found = of([*up(100.0), went(200.0, state), went(300.0, state)])
    (one,) = found.out_of_view
    assert (one.state, one.since_s, one.active_s) == (state, 200.0, 100.0)


def test_alarms_of_two_collectors_are_two_but_one_operators_load() -> None:
    other = [Change(t, "bay-4", "high_dp", UP, "low") for t in (100.0,) * 6]
    found = of([*up(*([100.0] * 6)), *other])
    assert [one.raised for one in found.alarms] == [6, 6]
    assert len(found.floods) == 1


TIMES = st.lists(st.floats(0.0, 5000.0), max_size=60).map(sorted)


@given(TIMES)
def test_counts_agree_with_counting_every_window(times: list[float]) -> None:
    found = of(up(*times), to_s=6000.0)
    windows = [sum(at - 600.0 < t <= at for t in times) for at in times]
    assert found.most_in_ten_minutes == max(windows, default=0)
    assert bool(found.floods) is any(count > 10 for count in windows)
    assert sum(one.raised for one in found.alarms) == found.raised == len(times)
    for flood in found.floods:
        assert flood.raised == sum(flood.from_s <= t < flood.to_s for t in times)
        inside = [t for t in times if t >= flood.from_s and t < flood.to_s]
        for at in inside[11:]:  # never fewer than five in between
            assert sum(at - 600.0 < t <= at for t in times) >= 5
