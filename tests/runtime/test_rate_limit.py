"""How many requests are taken from whom."""

from dustcake.runtime.request_service import MOST_SOURCES, RateLimit, Verdict


def taken(rate_limit: RateLimit, count: int, now_s: float, source: str = "kim") -> list[Verdict]:
    return [rate_limit.take(source, now_s) for _ in range(count)]


def test_so_many_at_once_and_then_as_many_a_minute() -> None:
    rate_limit = RateLimit(6)
    assert taken(rate_limit, 6, 0.0) == [Verdict.YES] * 6
    assert taken(rate_limit, 3, 0.0) == [Verdict.NOT_ANY_MORE, Verdict.NO, Verdict.NO]
    assert taken(rate_limit, 1, 9.9) == [Verdict.NO]
    assert taken(rate_limit, 2, 10.0) == [Verdict.YES, Verdict.NO]
    assert taken(rate_limit, 7, 3600.0) == [Verdict.YES] * 6 + [Verdict.NOT_ANY_MORE]


def test_the_first_that_is_too_much_is_told_once_in_each_flood() -> None:
    """However long it goes on; after half a minute of calm another is told."""
    rate_limit = RateLimit(6)
    told = [rate_limit.take("kim", n * 0.1) for n in range(36_000)]
    assert told.count(Verdict.YES) == 6 + 6 * 60 - 1
    assert told.count(Verdict.NOT_ANY_MORE) == 1
    assert taken(rate_limit, 5, 3631.0) == [Verdict.YES] * 4 + [Verdict.NOT_ANY_MORE]


def test_each_source_has_its_own() -> None:
    rate_limit = RateLimit(2)
    taken(rate_limit, 3, 0.0, "kim")
    assert taken(rate_limit, 2, 0.0, "lee") == [Verdict.YES] * 2


def test_the_table_does_not_grow_without_end() -> None:
    rate_limit = RateLimit(1)
    taken(rate_limit, 2, 0.0, "kim")
    for number in range(MOST_SOURCES):
        taken(rate_limit, 1, 1.0, f"source {number}")
    assert len(rate_limit._left) == MOST_SOURCES
    assert taken(rate_limit, 1, 1.0, "kim") == [Verdict.YES], "forgotten, as heard of longest ago"
