"""The collectors as registers for a PLC."""

from collections.abc import Sequence
from functools import partial

from dustcake.adapters.plc import PlcServer
from dustcake.core.setpoints import Setpoints
from dustcake.core.state import State
from dustcake.ports import Clock
from dustcake.publish.plc import RegisterSource, image
from dustcake.runtime.installed import Installed
from dustcake.settings.model import Settings
from dustcake.settings.services import Plc
from dustcake.settings.setpoints import to_setpoints


class PlcFace:
    """Watches every collector; the registers are made when they are asked for."""

    def __init__(
        self, settings: Settings, plc: Plc, installed: Sequence[Installed], clock: Clock
    ) -> None:
        self._clock = clock
        self._latest: dict[int, tuple[State, Setpoints]] = {}
        self._steps: dict[int, int] = {}
        self._server = PlcServer(
            plc.host,
            plc.port,
            self._registers,
            most_connections=plc.most_connections,
            idle_s=plc.idle_s,
        )
        for unit, collector in enumerate(settings.collectors, start=1):
            observe = partial(self._observe, unit, to_setpoints(collector))
            installed[unit - 1].watchers.append(observe)

    def _observe(self, unit: int, setpoints: Setpoints, state: State) -> None:
        self._latest[unit] = (state, setpoints)
        self._steps[unit] = self._steps.get(unit, 0) + 1

    def _registers(self, unit: int) -> Sequence[int] | None:
        if unit not in self._latest:
            return None
        state, setpoints = self._latest[unit]
        return image(RegisterSource(state, setpoints, self._steps[unit], self._clock.now().mono_s))

    async def serve(self) -> None:
        """Until cancelled."""
        await self._server.run()
