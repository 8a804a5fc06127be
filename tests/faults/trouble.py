"""Faults at work: what is active, what waits for its moment, and how each strikes."""

from collections import Counter
from math import inf
from typing import TYPE_CHECKING

from dustcake.core.state import Decision, Phase
from faults.disk import CUTS, DAMAGES
from faults.plan import Fault

if TYPE_CHECKING:
    from faults.world import World

PATIENCE_S = 1800.0  # a fault whose moment does not come strikes all the same
LATER_CALLBACKS = (0, 0, 1, 2, 3, 5, 8, 13, 21, 34)

PHASES = {
    Phase.OFF: "idle",
    Phase.IDLE: "idle",
    Phase.WAITING: "idle",
    Phase.CLEANING: "cleaning",
    Phase.HELD: "cleaning",
    Phase.BLOCKED: "barred",
    Phase.RESTING: "barred",
}


class Trouble:
    """All that goes wrong in a world. ``struck``: how many faults so far."""

    def __init__(self, world: "World") -> None:
        self.struck = 0
        self.reboots = False
        self.damage: str | None = None
        self.changes_settings = False
        self._world = world
        self._rng = world.rng("blows")
        self._active: Counter[str] = Counter()
        self._ended_s: dict[str, float] = {}
        self._armed: list[Fault] = []
        self._calm = False
        self._decision: Decision | None = None

    def life_begins(self) -> None:
        """A daemon starts; it may be cut before it has begun to work."""
        self._decision = None
        if self._world.damage_unnoticed and self._rng.random() < 0.4:
            self._world.disk.cut_at = self._rng.choice(CUTS)
        elif not self._calm and self._rng.random() < 0.12:
            self._world.loop.cut_in = self._rng.choice((*range(16), *range(16, 80, 4)))

    # --- what is on

    def active(self, name: str) -> bool:
        """Whether a lasting fault is on."""
        return self._active[name] > 0

    def was_active_within(self, seconds_s: float, names: tuple[str, ...]) -> bool:
        """Whether one of these is on, or has been lately."""
        since_s = self._world.loop.now_s - seconds_s
        return any(self.active(name) or self._ended_s.get(name, -inf) >= since_s for name in names)

    # --- moments

    def decided(self, decision: Decision) -> None:
        """The daemon has come to another decision."""
        self._decision = decision
        life = self._world.life
        if PHASES[decision.phase] == "barred" and life is not None and life.settled:
            self.trigger("barred")

    def trigger(self, what: str) -> None:
        """Something has happened that faults may wait for."""
        for fault in [fault for fault in self._armed if fault.trigger == what]:
            self._armed.remove(fault)
            self._strike(fault)

    def rare_moment(self) -> None:
        """One that comes so seldom that a crash may come by itself."""
        if not self._calm and self._rng.random() < 0.3:
            self._world.loop.cut_in = self._rng.choice(LATER_CALLBACKS)

    def arm(self, fault: Fault) -> None:
        """The time of a fault has come."""
        if self._calm:
            return
        if fault.trigger and self._world.life is not None:
            self._armed.append(fault)
            self._world.loop.at(self._world.loop.now_s + PATIENCE_S, lambda: self._no_longer(fault))
        else:
            self._strike(fault)

    def _no_longer(self, fault: Fault) -> None:
        if fault in self._armed:
            self._armed.remove(fault)
            self._strike(fault)

    def calm(self) -> None:
        """From here on everything is in order."""
        self._world.ledger.note("world", "calm from here on")
        self._calm = True
        self._armed.clear()
        for name in [name for name in self._active if self.active(name)]:
            self._ended_s[name] = self._world.loop.now_s
        self._active.clear()
        self._world.disk.cut_at = None

    # --- blows

    def _strike(self, fault: Fault) -> None:
        world, life = self._world, self._world.life
        self.struck += 1
        world.ledger.note("fault", f"{fault.name} for {fault.lasts_s:.0f} s")
        if life is not None and life.settled and self._decision is not None:
            mode, phase = self._decision.mode, PHASES[self._decision.phase]
            world.reached.see("fault in mode", f"{fault.name}: {mode}")
            world.reached.see("fault in phase", f"{fault.name}: {phase}")
        if not fault.lasts_s:
            self._blow(fault.name)
            return
        if fault.name == "outputs_silent":
            world.field.module.excuse()
        if fault.name == "broker_away":
            world.broker.lose()
        self._active[fault.name] += 1
        world.loop.at(world.loop.now_s + fault.lasts_s, lambda: self._over(fault))

    def _over(self, fault: Fault) -> None:
        if not self._calm:
            self._active[fault.name] -= 1
            self._ended_s[fault.name] = self._world.loop.now_s

    def _blow(self, name: str) -> None:
        world = self._world
        match name:
            case "clock_forward":
                world.utc_offset_s += self._rng.uniform(60.0, 40_000.0)
            case "clock_back":
                world.utc_offset_s -= self._rng.uniform(60.0, 40_000.0)
            case "broker_cut":
                world.broker.lose()
            case "request":
                world.people.ask()
            case "request_of_alarm":
                world.people.ask_of_alarm()
            case "request_twice":
                world.people.ask_again()
            case _ if world.life is not None:
                self._end(name)
            case _:
                pass

    def _end(self, name: str) -> None:
        """The daemon comes to an end, in one way or another."""
        world, rng = self._world, self._rng
        assert world.life is not None
        self.reboots = name.startswith("power") or (name == "card_damaged" and rng.random() < 0.5)
        if name == "card_damaged":
            self.damage = rng.choice(DAMAGES)
        if name == "settings_changed":
            self.changes_settings = True
        in_order = name == "settings_changed" and rng.random() < 0.5
        if name.endswith("in_commit"):
            world.disk.cut_at = rng.choice(CUTS)
        elif in_order or name in ("sigterm", "killed_while_stopping"):
            world.life.sigterm()
            if name == "killed_while_stopping":
                world.loop.cut_in = rng.choice((*range(20), *range(20, 80, 4)))
        else:
            world.loop.cut_in = rng.choice(LATER_CALLBACKS)

    def between_lives(self) -> None:
        """What is done to the card and the settings while no daemon runs."""
        world = self._world
        world.disk.cut_at = None
        if self.damage is not None and not world.damage_unnoticed:
            world.ledger.note("card", f"damaged: {self.damage}")
            world.reached.see("damage", self.damage)
            world.audit.damaged(self.damage)
            world.disk.damage(self.damage)
            world.damage_unnoticed = True
        self.damage = None
        if self.changes_settings:
            self.changes_settings = False
            world.change_settings(self._rng)

    def down_s(self, *, refused: bool) -> float:
        """How long until the next life."""
        if self.reboots:
            return self._rng.choice((40.0, 600.0, 3600.0))
        return 60.0 if refused else 5.0
