"""How long to leave something alone that does not answer."""

FIRST_S = 0.25
LONGEST_S = 10.0


class Backoff:
    """Doubles from a quarter of a second to ten with each failure in a row.

    Times are monotonic seconds, handed in by the caller.
    """

    def __init__(self) -> None:
        self._delay_s = FIRST_S
        self._until_s = float("-inf")

    def failed(self, now_s: float) -> None:
        """One more failure."""
        self._until_s = now_s + self._delay_s
        self._delay_s = min(2 * self._delay_s, LONGEST_S)

    def succeeded(self) -> None:
        """Forget the failures."""
        self._delay_s = FIRST_S
        self._until_s = float("-inf")

    def remaining_s(self, now_s: float) -> float:
        """Seconds until the next try is due; 0 when it is."""
        return max(0.0, self._until_s - now_s)
