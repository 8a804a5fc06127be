"""How many requests are taken from whom."""

from dustcake.runtime.allowance import MOST_SOURCES, Allowance, Allowed


def taken(allowance: Allowance, count: int, now_s: float, source: str = "kim") -> list[Allowed]:
    return [allowance.take(source, now_s) for _ in range(count)]


def test_so_many_at_once_and_then_as_many_a_minute() -> None:
    allowance = Allowance(6)
    assert taken(allowance, 6, 0.0) == [Allowed.YES] * 6
    assert taken(allowance, 3, 0.0) == [Allowed.NOT_ANY_MORE, Allowed.NO, Allowed.NO]
    assert taken(allowance, 1, 9.9) == [Allowed.NO]
    assert taken(allowance, 2, 10.0) == [Allowed.YES, Allowed.NO]
    assert taken(allowance, 7, 3600.0) == [Allowed.YES] * 6 + [Allowed.NOT_ANY_MORE]


def test_the_first_that_is_too_much_is_told_once_in_each_flood() -> None:
    """However long it goes on; after half a minute of calm another is told."""
    allowance = Allowance(6)
    told = [allowance.take("kim", n * 0.1) for n in range(36_000)]
    assert told.count(Allowed.YES) == 6 + 6 * 60 - 1
    assert told.count(Allowed.NOT_ANY_MORE) == 1
    assert taken(allowance, 5, 3631.0) == [Allowed.YES] * 4 + [Allowed.NOT_ANY_MORE]


def test_each_source_has_its_own() -> None:
    allowance = Allowance(2)
    taken(allowance, 3, 0.0, "kim")
    assert taken(allowance, 2, 0.0, "lee") == [Allowed.YES] * 2


def test_the_table_does_not_grow_without_end() -> None:
    allowance = Allowance(1)
    taken(allowance, 2, 0.0, "kim")
    for number in range(MOST_SOURCES):
        taken(allowance, 1, 1.0, f"source {number}")
    assert len(allowance._left) == MOST_SOURCES
    assert taken(allowance, 1, 1.0, "kim") == [Allowed.YES], "forgotten, as heard of longest ago"
