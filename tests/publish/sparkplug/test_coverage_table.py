"""No assertion is forgotten, and the table of them is fresh."""

from publish.sparkplug.coverage_table import TABLE, assertions, covered, reason, table


def test_every_assertion_has_a_test_or_a_reason() -> None:
    tests = covered()
    assert [one for one in assertions() if one not in tests and reason(one) is None] == []


def test_no_test_is_marked_with_what_is_no_assertion() -> None:
    assert set(covered()) <= set(assertions())


def test_the_table_is_fresh() -> None:
    assert TABLE.read_text() == table(), "run python tests/publish/sparkplug/coverage_table.py"
