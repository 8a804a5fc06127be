"""What the daemon says of itself to the broker."""

from collections.abc import Sequence

from dustcake.ports import Clock
from dustcake.publish.render import Renderer
from dustcake.publish.topics import Publication
from dustcake.runtime.engine import Engine


class EnginePresence:
    """The presence of one collector."""

    def __init__(self, engine: Engine, renderer: Renderer, clock: Clock) -> None:
        self._engine = engine
        self._renderer = renderer
        self._clock = clock

    def _online(self, online: bool) -> Publication:
        utc_s, seq = self._clock.now().utc_s, self._engine.state.next_seq - 1
        return self._renderer.online(utc_s, seq, online)

    def will(self) -> Publication:
        """What the broker publishes when the daemon vanishes; its time is that of connecting."""
        return self._online(False)

    def birth(self) -> Publication:
        """First after connecting."""
        return self._online(True)

    def goodbye(self) -> Publication:
        """Last before an orderly end."""
        return self._online(False)

    def current(self) -> Sequence[Publication]:
        """Every retained topic as it is now."""
        return self._renderer.everything(self._engine.state, self._clock.now().utc_s)
