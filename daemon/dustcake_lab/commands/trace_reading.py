"""What the commands that read a trace have in common."""

from dustcake.cli.common import between, fail
from dustcake_lab.traces.columns import BadRow

LISTED_BAD_ROWS = 20
FLOW_M3S = between(0.0, 100.0, "the flow in m3/s, such as 1.2")
"""No collector has more (common practice, no source): such a number is in other units."""
AIR_L = between(0.0, 10_000.0, "litres of free air for one pulse, such as 40")


class BadRowReport:
    """Names rows that cannot be used on stderr, the first of them, and says what becomes of the
    trace: it is refused, or with ``skip`` the rest is used."""

    def __init__(self, *, skip: bool) -> None:
        self.count = 0
        self._skip = skip

    @property
    def refused(self) -> bool:
        """The trace is refused: nothing of it is used."""
        return self.count > 0 and not self._skip

    def add(self, row: BadRow) -> bool:
        """Take in one more; whether it was named."""
        self.count += 1
        if self.count <= LISTED_BAD_ROWS:
            fail(str(row))
        return self.count <= LISTED_BAD_ROWS

    def close(self) -> None:
        """After the last row."""
        if self.count > LISTED_BAD_ROWS:
            fail(f"... and {self.count - LISTED_BAD_ROWS} more")
        if self.refused:
            rows, them = ("row", "it") if self.count == 1 else ("rows", "them")
            remedy = f"correct {them}, or add --skip-bad-rows to use the rest"
            fail(f"{self.count} {rows} cannot be used; {remedy}")
