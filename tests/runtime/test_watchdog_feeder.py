"""The watchdog is fed only when every collector has come a step further."""

from dustcake.adapters.host import ServiceManager
from dustcake.runtime.collector_service import WatchdogFeeder


class Counting(ServiceManager):
    def __init__(self) -> None:
        super().__init__({})
        self.times = 0

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
