from collections.abc import Callable

import pytest

from core.driver import ALL_FITTED, BASE, FIRST_UTC_S, HEADER_SCALE, chosen
from dustcake.core.inputs import Stamp
from dustcake.core.setpoints import Setpoints
from dustcake.core.state import first_state
from dustcake.publish.sparkplug.collector import CollectorDevice
from dustcake.publish.sparkplug.commands import command_metrics
from dustcake.units import PressureUnit

FITTED: Setpoints = chosen(BASE, fitted=ALL_FITTED, header=HEADER_SCALE)


@pytest.fixture
def device_names() -> Callable[[], list[str]]:
    """Names of every metric a collector can have."""

    def names() -> list[str]:
        device = CollectorDevice(FITTED, PressureUnit.PA, (10.0, 1e4))
        state = first_state(FITTED, Stamp(0.0, FIRST_UTC_S))
        metrics = [*device.metrics(state, FIRST_UTC_S), *command_metrics(None, FIRST_UTC_S)]
        return [metric.name for metric in metrics]

    return names
