"""People around the collector: they acknowledge alarms, choose modes, and ask for odd things."""

import json
from collections.abc import Mapping
from typing import TYPE_CHECKING

from dustcake.core.alarms.names import AlarmName, AlarmState
from dustcake.core.events import AlarmChanged
from dustcake.core.requests.kinds import AlarmAction, Entry, Mode

if TYPE_CHECKING:
    from faults.world import World

SEEN = {
    AlarmState.UNACKNOWLEDGED: 0.3,
    AlarmState.RETURNED: 0.15,
    AlarmState.LATCHED_UNACKNOWLEDGED: 0.3,
    AlarmState.LATCHED: 0.3,
}
"""How likely somebody acknowledges an alarm that has entered this state."""


UNDONE_BY = {
    AlarmAction.SHELVE: AlarmAction.UNSHELVE,
    AlarmAction.OUT_OF_SERVICE: AlarmAction.IN_SERVICE,
}


CHANGES: dict[str, tuple[float, ...]] = {
    "low_pa": (600.0, 700.0, 880.0),
    "high_pa": (850.0, 1000.0, 1100.0, 1200.0),
    "interval_s": (20.0, 30.0, 60.0),
    "on_time_s": (0.1, 0.2, 1.0),
}
"""Set points, and what people put them to; one is beyond its limits."""


class People:
    """Their requests go to the local socket or by the broker, as chance has it."""

    def __init__(self, world: "World") -> None:
        self._world = world
        self._rng = world.rng("people")
        self._changes = world.rng("changes of set points")
        self._asked = 0
        self._last = b""

    def notice(self, change: AlarmChanged) -> None:
        """An alarm has changed; perhaps somebody looks at it soon."""
        if self._rng.random() < SEEN.get(AlarmState(change.state), 0.0):
            latched = change.state == AlarmState.LATCHED
            asked = {"request": "reset" if latched else "acknowledge", "alarm": change.alarm}
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
                {"request": "filter_change", "by": "fitter", "note": "spare set"},
                {"request": "record", "by": "fitter", "entry": rng.choice([*Entry]), "note": "x"},
                {"request": "mode", "mode": "by itself"},
            )
        )
        self._request(self._numbered(asked))
        if self._changes.random() < 0.3:
            self._change_set_points()

    def _change_set_points(self) -> None:
        """Somebody also changes set points: confirmed at once, late, by the other way in, never, or
        with another change in between."""
        of, now_s = self._changes.choice, self._world.loop.now_s
        point, values = of(tuple(CHANGES.items()))
        asked = self._numbered({"request": "set_points", point: of(values)})
        local = of((True, False))
        self._send(asked, local=local)
        after_s = of((0.0, 2.0, 20.0, 59.9, 60.0, 70.0, None))
        if after_s is not None:
            by = local if of((True, True, True, False)) else not local
            self._world.loop.at(now_s + after_s, lambda: self._confirm(local=by))

    def _confirm(self, *, local: bool) -> None:
        life = self._world.life
        held = None if life is None else life.change_held()
        change = self._changes.randint(1, 99) if held is None else held
        self._send(self._numbered({"request": "confirm", "change": change}), local=local)

    def ask_of_alarm(self) -> None:
        """Somebody does something to an alarm, and often undoes it later."""
        rng, life = self._rng, self._world.life
        in_view = life.acknowledgeable() if life is not None else []
        alarm = rng.choice(in_view if in_view and rng.random() < 0.8 else [*AlarmName])
        action = rng.choice([*AlarmAction, AlarmAction.RESET, AlarmAction.SHELVE])
        asked: dict[str, object] = {"request": action, "alarm": alarm}
        if action in UNDONE_BY:
            asked["why"] = rng.choice(("being worked on", ""))
        if action is AlarmAction.SHELVE:
            asked["for_s"] = rng.choice((600.0, 3600.0, 1e6))
        self._request(self._numbered(asked))
        if action in UNDONE_BY and rng.random() < 0.7:
            undoing = {"request": UNDONE_BY[action], "alarm": alarm}
            at_s = self._world.loop.now_s + rng.choice((300.0, 1800.0))
            self._world.loop.at(at_s, lambda: self._request(self._numbered(undoing)))

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
            self._send(payload, local=self._rng.random() < 0.5)

    def _send(self, payload: bytes, *, local: bool) -> None:
        if self._world.life is not None:
            self._world.ledger.note("people", payload.decode())
            self._world.life.ask(payload, local=local)
