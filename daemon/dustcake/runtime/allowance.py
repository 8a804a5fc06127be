"""How many requests a minute are taken from each source."""

from collections import OrderedDict
from enum import Enum

from dustcake.core.record import record

MOST_SOURCES = 64


class Allowed(Enum):
    """What is done with a request."""

    YES = "yes"
    NOT_ANY_MORE = "not any more"  # the first of a flood that is too much
    NO = "no"


@record
class _Left:
    """How many requests are left to a source, and since when that holds. ``is_flood``: it has asked
    for too much, and not been calm since."""

    requests: float
    at_s: float
    is_flood: bool = False


class Allowance:
    """``per_minute`` requests at once, and as many a minute after that. Of so many sources that the
    table would grow without end, the one heard of longest ago is forgotten."""

    def __init__(self, per_minute: int) -> None:
        self.per_minute = per_minute
        self._left: OrderedDict[str, _Left] = OrderedDict()

    def take(self, source: str, now_s: float) -> Allowed:
        """One request of ``source``, at monotonic time ``now_s``."""
        before = self._left.pop(source, None) or _Left(float(self.per_minute), now_s)
        gained = (now_s - before.at_s) * self.per_minute / 60.0
        requests = min(float(self.per_minute), before.requests + gained)
        if len(self._left) >= MOST_SOURCES:
            self._left.popitem(last=False)
        is_flood = before.is_flood and requests < self.per_minute / 2.0
        if requests >= 1.0:
            self._left[source] = _Left(requests - 1.0, now_s, is_flood)
            return Allowed.YES
        self._left[source] = _Left(requests, now_s, True)
        return Allowed.NO if is_flood else Allowed.NOT_ANY_MORE
