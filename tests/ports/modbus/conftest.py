"""Servers of our own, and buses to them that are closed again."""

from collections.abc import AsyncIterator, Awaitable, Callable
from typing import Any

import pytest

from dustcake.adapters.modbus import Bus
from dustcake.ports import Clock
from dustcake.settings.buses import SerialBus, TcpBus
from ports.modbus.clocks import LeapClock
from ports.modbus.rogue import RogueRtu, RogueTcp

OpenBus = Callable[..., Bus]


@pytest.fixture
def leap() -> LeapClock:
    return LeapClock()


@pytest.fixture
async def tcp() -> AsyncIterator[RogueTcp]:
    async with RogueTcp() as server:
        yield server


@pytest.fixture
async def rtu() -> AsyncIterator[RogueRtu]:
    async with RogueRtu() as server:
        yield server


@pytest.fixture(params=[RogueTcp, RogueRtu], ids=["tcp", "rtu"])
async def rogue(request: pytest.FixtureRequest) -> AsyncIterator[RogueTcp | RogueRtu]:
    async with request.param() as server:
        yield server


@pytest.fixture
async def bus_to(leap: LeapClock) -> AsyncIterator[OpenBus]:
    """Opens a bus to a rogue, or by settings; on a clock that leaps unless another is given."""
    closing: list[Callable[[], Awaitable[None]]] = []

    def opened(
        to: RogueTcp | RogueRtu | TcpBus | SerialBus, clock: Clock | None = None, **settings: Any
    ) -> Bus:
        bus_settings = to.bus(**settings) if isinstance(to, RogueTcp | RogueRtu) else to
        bus = Bus(bus_settings, clock or leap)
        closing.append(bus.aclose)
        return bus

    yield opened
    for close in closing:
        await close()
