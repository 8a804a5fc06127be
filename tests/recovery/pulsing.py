"""A collector that pulses all the time, whatever it reads: timed, a second apart."""

from typing import Any

from system_support import settings
from system_support.broker import until
from system_support.device import Device
from system_support.settings import Table

INTERVAL_S = 1.0


def pulsing(**over: Any) -> Table:
    """Its settings, with what differs put over."""
    timed = settings.collector(poll_s=0.1, cleaning={"mode": "timed"})
    return settings.merged(timed, over)


async def pulses_more(plant: Device, count: int = 2) -> None:
    """Return when it has pulsed so many times more."""
    before = sum(plant.unit.pulses)
    await until(lambda: sum(plant.unit.pulses) >= before + count, f"{count} more pulses", 20)
