"""Which addresses are near enough to be read in one request."""

from collections.abc import Iterable

from dustcake.core.record import record

MOST_WITH_GAPS = 16
"""Longest run of bits read together where there are gaps between them: one module's worth."""


@record
class Span:
    """``count`` consecutive addresses from ``address`` on."""

    address: int
    count: int


def joined(spans: Iterable[Span]) -> list[Span]:
    """``spans`` in order of address, merged where they adjoin or where the result is short.

    Gaps are read along; a device that has nothing there refuses, and is then asked span by span.
    """
    blocks: list[Span] = []
    for span in sorted(spans, key=lambda each: each.address):
        if blocks:
            last = blocks[-1]
            count = max(span.address + span.count - last.address, last.count)
            adjoins = span.address <= last.address + last.count
            if adjoins or count <= MOST_WITH_GAPS:
                blocks[-1] = Span(last.address, count)
                continue
        blocks.append(span)
    return blocks
