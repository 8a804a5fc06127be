"""How many requests are taken from whom."""

from dustcake.runtime.request_service import MOST_SOURCES, RateDecision, RateLimit

ACCEPTED, REFUSED, UNRECORDED = RateDecision


def taken(
    rate_limit: RateLimit, count: int, now_s: float, source: str = "kim"
) -> list[RateDecision]:
    return [rate_limit.take(source, now_s) for _ in range(count)]


def test_so_many_at_once_and_then_as_many_a_minute() -> None:
    rate_limit = RateLimit(6)
    assert taken(rate_limit, 6, 0.0) == [ACCEPTED] * 6
    assert taken(rate_limit, 3, 0.0) == [
        REFUSED,
        UNRECORDED,
        UNRECORDED,
    ]
    assert taken(rate_limit, 1, 9.9) == [UNRECORDED]
    assert taken(rate_limit, 2, 10.0) == [ACCEPTED, UNRECORDED]
    assert taken(rate_limit, 7, 3600.0) == [ACCEPTED] * 6 + [REFUSED]


def test_the_first_that_is_too_much_is_recorded_once_in_each_flood() -> None:
    """However long it goes on; after half a minute of calm another is recorded."""
    rate_limit = RateLimit(6)
    decisions = [rate_limit.take("kim", n * 0.1) for n in range(36_000)]
    assert decisions.count(ACCEPTED) == 6 + 6 * 60 - 1
    assert decisions.count(REFUSED) == 1
    assert taken(rate_limit, 5, 3631.0) == [ACCEPTED] * 4 + [REFUSED]


def test_each_source_has_its_own() -> None:
    rate_limit = RateLimit(2)
    taken(rate_limit, 3, 0.0, "kim")
    assert taken(rate_limit, 2, 0.0, "lee") == [ACCEPTED] * 2


def test_the_table_does_not_grow_without_end() -> None:
    rate_limit = RateLimit(1)
    taken(rate_limit, 2, 0.0, "kim")
    for number in range(MOST_SOURCES):
        taken(rate_limit, 1, 1.0, f"source {number}")
    assert len(rate_limit._left) == MOST_SOURCES
    assert taken(rate_limit, 1, 1.0, "kim") == [ACCEPTED], "forgotten, as heard of longest ago"
