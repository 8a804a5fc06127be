"""How long to wait before the next attempt to connect."""

from collections.abc import Callable


class Backoff:
    """Exponential, with jitter, so that many daemons do not come back in step.

    ``first_s`` is doubled at each failure up to ``cap_s``; the wait is drawn between half of that
    and all of it. ``random`` gives numbers in [0, 1).
    """

    def __init__(self, first_s: float, cap_s: float, random: Callable[[], float]) -> None:
        self._first_s = first_s
        self._cap_s = cap_s
        self._random = random
        self._next_s = first_s

    def after(self, held_s: float) -> float:
        """Seconds to wait after a connection that held for ``held_s`` (0: none was made).

        Only one that held longer than the cap starts the series afresh: a broker that accepts
        the connection and then throws it out must not be hammered.
        """
        if held_s > self._cap_s:
            self._next_s = self._first_s
        wait_s = self._next_s * (0.5 + 0.5 * self._random())
        self._next_s = min(2.0 * self._next_s, self._cap_s)
        return wait_s
