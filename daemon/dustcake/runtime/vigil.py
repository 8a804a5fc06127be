"""One watchdog over several engines."""

from collections.abc import Iterable

from dustcake.ports import Watchdog


class Vigil:
    """Feeds the service manager's watchdog when every collector has completed a step since it was
    last fed, so that one stuck collector is not hidden by the others."""

    def __init__(self, watchdog: Watchdog, collectors: Iterable[str]) -> None:
        self._watchdog = watchdog
        self._collectors = frozenset(collectors)
        self._fed: set[str] = set()

    def fed(self, collector: str) -> None:
        """A step of this collector has been completed and committed."""
        self._fed.add(collector)
        if self._fed >= self._collectors:
            self._fed.clear()
            self._watchdog.fed()
