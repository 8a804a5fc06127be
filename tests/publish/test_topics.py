"""What may be published to, whoever names it."""

import pytest

from dustcake.publish.topics import may_be_published_to


@pytest.mark.parametrize("topic", ["a", "/", "my/replies", "$SYS/x", "a//b", "ä/水", "x" * 65_535])
def test_a_topic(topic: str) -> None:
    assert may_be_published_to(topic)


@pytest.mark.parametrize(
    "topic", ["", "a/#", "+/a", "a\0", "a\n", "\ud800", "\x7f", "x" * 65_536, "水" * 30_000]
)
def test_no_topic(topic: str) -> None:
    assert not may_be_published_to(topic)
