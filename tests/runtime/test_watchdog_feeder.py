"""The watchdog is fed only when every collector has come a step further."""

from dustcake.runtime.collector_service import WatchdogFeeder


class Counting:
    def __init__(self) -> None:
        self.times = 0

    def ready(self) -> None: ...
    def status(self, line: str) -> None: ...
    def stopping(self) -> None: ...

    def fed(self) -> None:
        self.times += 1


def test_one_stuck_collector_starves_the_watchdog() -> None:
    manager = Counting()
    vigil = WatchdogFeeder(manager, ["one", "two"])
    for _ in range(5):
        vigil.fed("one")
    assert manager.times == 0
    vigil.fed("two")
    assert manager.times == 1
    vigil.fed("two")
    assert manager.times == 1
    vigil.fed("one")
    assert manager.times == 2
