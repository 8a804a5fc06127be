"""How long the demand contact of a sequencer board has been closed: all that is known of what the
board has pulsed, since it reports nothing."""

from math import inf

from dustcake.core.record import record


@record
class ClosedTime:
    """Seconds closed up to ``since_s``; ``since_s``: closed since then, None while open."""

    closed_s: float = 0.0
    since_s: float | None = None

    def follow(self, now_s: float, closed: bool) -> "ClosedTime":
        """The same with the contact as it is now."""
        if closed is (self.since_s is not None):
            return self
        return ClosedTime(self.at(now_s), now_s if closed else None)

    def at(self, now_s: float) -> float:
        """Seconds closed by now."""
        return self.closed_s + (0.0 if self.since_s is None else max(0.0, now_s - self.since_s))

    def reaches_s(self, wanted_s: float) -> float:
        """When it will have been closed for ``wanted_s``; never, while open and short of it."""
        if self.since_s is not None:
            return self.since_s + (wanted_s - self.closed_s)
        return -inf if self.closed_s >= wanted_s else inf
