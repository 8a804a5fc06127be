"""People around the collector: they acknowledge alarms, choose modes, and ask for odd things."""

import json
from collections.abc import Mapping
from typing import TYPE_CHECKING

from dustcake.core.alarms import AlarmState
from dustcake.core.events import AlarmChanged
from dustcake.core.requests import Mode
from dustcake.core.setpoints import AlarmName

if TYPE_CHECKING:
    from faults.world import World

SEEN = {AlarmState.UNACKNOWLEDGED: 0.3, AlarmState.RETURNED: 0.15}
"""How likely somebody acknowledges an alarm that has entered this state."""


class People:
    """Their requests go to the local socket or by the broker, as chance has it."""

    def __init__(self, world: "World") -> None:
        self._world = world
        self._rng = world.rng("people")
        self._asked = 0
        self._last = b""

    def notice(self, change: AlarmChanged) -> None:
        """An alarm has changed; perhaps somebody looks at it soon."""
        if self._rng.random() < SEEN.get(AlarmState(change.state), 0.0):
            asked = {"request": "acknowledge", "alarm": change.alarm}
            at_s = self._world.loop.now_s + self._rng.choice((2.0, 40.0, 400.0))
            self._world.loop.at(at_s, lambda: self._request(self._numbered(asked)))

    def ask(self) -> None:
        """Somebody wants something."""
        rng, life = self._rng, self._world.life
        alarms = (life.acknowledgeable() if life is not None else []) or [*AlarmName]
        asked = rng.choice(
            (
                {"request": "mode", "mode": rng.choice([*Mode])},
                {"request": "mode", "mode": rng.choice([*Mode])},
                {"request": "acknowledge", "alarm": rng.choice(alarms)},
                {"request": "zero", "blower_off_confirmed": rng.random() < 0.5},
                {"request": "zero", "blower_off_confirmed": True},
                {"request": "blower", "run": rng.random() < 0.7},
                {"request": "mode", "mode": "by itself"},
            )
        )
        self._request(self._numbered(asked))

    def ask_again(self) -> None:
        """The last request once more, with the same id."""
        if self._last:
            self._request(self._last)
        else:
            self.ask()

    def _numbered(self, asked: Mapping[str, object]) -> bytes:
        self._asked += 1
        return json.dumps({**asked, "id": f"request-{self._asked}", "by": "shift"}).encode()

    def _request(self, payload: bytes) -> None:
        self._last = payload
        if self._world.life is not None:
            self._world.ledger.note("people", payload.decode())
            self._world.life.ask(payload, local=self._rng.random() < 0.5)
