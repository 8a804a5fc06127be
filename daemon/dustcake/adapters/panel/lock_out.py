"""Whoever guesses passwords has to wait."""

from collections import OrderedDict
from collections.abc import Callable

FREE_TRIES = 5
LOCKED_S = 300.0
MOST_REMEMBERED = 1024


class LockOut:
    """Counts failures by key (a user's name, an address). After ``FREE_TRIES`` of them, each within
    ``LOCKED_S`` of the one before, that key is locked for ``LOCKED_S``. ``now``: the monotonic
    clock."""

    def __init__(self, now: Callable[[], float]) -> None:
        self._now = now
        self._failures: OrderedDict[str, tuple[int, float]] = OrderedDict()

    def wait_s(self, *keys: str) -> float:
        """How long it is until all of ``keys`` may try again; 0 if they may now."""
        return max(map(self._wait_s, keys), default=0.0)

    def _wait_s(self, key: str) -> float:
        count, last_s = self._failures.get(key, (0, 0.0))
        if count < FREE_TRIES:
            return 0.0
        return max(0.0, last_s + LOCKED_S - self._now())

    def failed(self, *keys: str) -> None:
        """One more failure of each."""
        now_s = self._now()
        for key in keys:
            count, last_s = self._failures.pop(key, (0, now_s))
            # Once a lock is over, counting begins anew.
            count = 1 if now_s - last_s >= LOCKED_S else count + 1
            self._failures[key] = (count, now_s)
        while len(self._failures) > MOST_REMEMBERED:
            self._failures.popitem(last=False)

    def succeeded(self, *keys: str) -> None:
        """Forget their failures."""
        for key in keys:
            self._failures.pop(key, None)
