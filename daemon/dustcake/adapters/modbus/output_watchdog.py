"""The output module's own watchdog: set, fed, and set again when the module has forgotten it."""

import structlog

from dustcake.adapters.modbus.bus import BusLine, Reserved
from dustcake.adapters.modbus.requests import Read, WriteRegister
from dustcake.core.signals import FailureKind, ReadFailure
from dustcake.settings.buses import ModuleWatchdog, WordTable

FEEDS_A_TIMEOUT = 3
"""How often within the time-out it is fed, so that one lost exchange does not trip it."""

_log = structlog.get_logger(__name__)


class OutputWatchdog:
    """Of one unit. Any valid request feeds it; the one made here reads its register back."""

    def __init__(self, bus: BusLine, unit: int, settings: ModuleWatchdog) -> None:
        self._bus = bus
        self._unit = unit
        self._register = settings.register_address
        self._counts = settings.counts
        self._every_s = settings.timeout_s / FEEDS_A_TIMEOUT
        self._is_set = False
        self._told: str | None = None

    async def ensure(self) -> ReadFailure | None:
        """Set it unless it is known to be set; why that could not be done."""
        if self._is_set:
            return None
        async with self._bus.reserved() as hold:
            return await self._set(hold)

    async def keep(self) -> None:
        """Feed it, and set it again when it reads otherwise, until cancelled."""
        clock = self._bus.clock
        while True:
            async with self._bus.reserved() as hold:
                failure = await self._prove(hold)
                if not isinstance(failure, ReadFailure) and not self._is_set:
                    failure = await self._set(hold)
            self._tell(failure)
            await clock.sleep_until(clock.now().mono_s + self._every_s)

    async def _prove(self, hold: Reserved) -> ReadFailure | None:
        answer = await hold.ask(Read(self._unit, WordTable.HOLDING, self._register, 1))
        self._is_set = answer == (self._counts,)
        return answer if isinstance(answer, ReadFailure) else None

    async def _set(self, hold: Reserved) -> ReadFailure | None:
        answer = await hold.ask(WriteRegister(self._unit, self._register, self._counts))
        failure = answer if isinstance(answer, ReadFailure) else await self._prove(hold)
        if failure is None and not self._is_set:
            failure = ReadFailure(
                FailureKind.BAD_REPLY,
                f"unit {self._unit}, holding register {self._register}: does not read "
                f"{self._counts} after it was written; check outputs.watchdog",
            )
        return failure

    def _tell(self, failure: ReadFailure | None) -> None:
        detail = None if failure is None else failure.detail
        if detail is not None and self._told is None:
            _log.warning("module watchdog not set", cause=detail, consequence="no valve is fired")
        elif detail is None and self._told is not None:
            _log.info("module watchdog set")
        self._told = detail
