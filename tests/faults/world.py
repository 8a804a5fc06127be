"""One collector, its surroundings and one day of faults."""

import json
import logging
import sqlite3
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import chdir, contextmanager
from math import inf
from pathlib import Path
from random import Random
from typing import TYPE_CHECKING, Any
from unittest.mock import patch

import structlog

from dustcake.adapters.mqtt import link
from dustcake.core.inputs import Input
from dustcake.core.requests import Mode
from dustcake.core.setpoints import AlarmName, Setpoints
from dustcake.core.stamp import Stamp
from dustcake.core.state import Phase, State
from dustcake.core.step import Step, step
from dustcake.publish.render import Renderer
from dustcake.runtime import engine as engines
from faults import collectors, plan
from faults.broker import Broker
from faults.disk import CUTS, DAMAGES, Disk
from faults.field import Field
from faults.ledger import Ledger
from faults.loop import SimulatedLoop, Violation
from faults.plan import CALM_S, DAY_S, DISK_FAULTS, Fault
from faults.reached import Reached

__all__ = ["DISK_FAULTS", "Decide", "World"]

Decide = Callable[[State, Input, Setpoints], Step]

START_UTC_S = 1_900_000_000.0
RESTART_S, REFUSED_S = 5.0, 60.0
STOPS_WITHIN_S = 2.0
QUIETEST = logging.CRITICAL
IN_MEMORY = Path("/dev/shm")

PHASES = {
    Phase.OFF: "idle",
    Phase.IDLE: "idle",
    Phase.WAITING: "idle",
    Phase.CLEANING: "cleaning",
    Phase.HELD: "cleaning",
    Phase.BLOCKED: "barred",
    Phase.RESTING: "barred",
}


class World:
    """Everything about one day. ``decide`` is the core, or a mutant of it."""

    def __init__(
        self,
        seed: int,
        root: Path,
        *,
        decide: Decide = step,
        engine: type[engines.Engine] = engines.Engine,
        trace: Callable[[str], None] | None = None,
    ) -> None:
        from faults.audit import Audit
        from faults.watch import Watch

        self.seed = seed
        self.decide = decide
        self.engine = engine
        self.loop = SimulatedLoop()
        self.ledger = Ledger(lambda: self.loop.now_s, trace)
        self.reached = Reached()
        self.collector = collectors.draw(self.rng("collector"))
        self.disk = Disk(self.loop, self.rng("disk"), root, self.active)
        self.field = Field(self, self.rng("field"), 2.5 * self.collector.poll_s)
        self.broker = Broker(self, self.rng("broker"))
        self.watch = Watch(self)
        self.audit = Audit(self)
        self.life: Life | None = None
        self.lives = 0
        self.last_renderer: Renderer | None = None
        self.boot_s = 0.0
        self._utc_offset_s = START_UTC_S
        self._blows = self.rng("blows")
        self._active: Counter[str] = Counter()
        self._ended_s: dict[str, float] = {}
        self._armed: list[Fault] = []
        self._reboots = False
        self._damage: str | None = None
        self._changes_settings = False
        self._cut_while_stopping = False
        self._asked = 0
        self.struck = 0
        self._last_request = b""

    def rng(self, what: str) -> Random:
        """A source of its own for each matter, so that one does not disturb another."""
        return Random(f"{self.seed} {what}")

    @property
    def setpoints(self) -> Setpoints:
        return self.collector.setpoints

    def now(self) -> Stamp:
        """The daemon's clocks: a reboot begins the monotonic one anew."""
        now_s = self.loop.now_s
        utc_s = None if self.active("clock_unset") else now_s + self._utc_offset_s
        return Stamp(now_s - self.boot_s, utc_s)

    def object(self, wrong: str) -> None:
        """An invariant does not hold."""
        if self.loop.violation is None:
            self.ledger.note("WRONG", wrong)
            self.loop.violation = Violation(wrong)
        raise self.loop.violation

    # --- faults

    def active(self, name: str) -> bool:
        """Whether a lasting fault is on."""
        return self._active[name] > 0

    def was_active_within(self, seconds_s: float, names: tuple[str, ...]) -> bool:
        """Whether one of these is on, or has been lately."""
        since_s = self.loop.now_s - seconds_s
        return any(
            self.active(name) or self._ended_s.get(name, -inf) >= since_s for name in names
        )

    def trigger(self, what: str) -> None:
        """Something has happened that faults may wait for."""
        waiting = [fault for fault in self._armed if fault.trigger == what]
        for fault in waiting:
            self._armed.remove(fault)
            self._strike(fault)

    def _arm(self, fault: Fault) -> None:
        if self.loop.now_s >= DAY_S - CALM_S:
            return
        if fault.trigger and self.life is not None:
            self._armed.append(fault)
            # If it does not come, it strikes all the same.
            self.loop.at(self.loop.now_s + 1800.0, lambda: self._strike_unless_struck(fault))
        else:
            self._strike(fault)

    def _strike_unless_struck(self, fault: Fault) -> None:
        if fault in self._armed:
            self._armed.remove(fault)
            self._strike(fault)

    def _strike(self, fault: Fault) -> None:
        self.struck += 1
        self.ledger.note("fault", f"{fault.name} for {fault.lasts_s:.0f} s")
        life = self.life
        if life is not None and life.decision is not None:
            decision = life.decision
            self.reached.see("fault", f"{fault.name}: {decision.mode}, {PHASES[decision.phase]}")
        if fault.lasts_s:
            if fault.name == "outputs_silent":
                self.field.module.excuse()
            if fault.name == "broker_away":
                self.broker.lose()
            self._active[fault.name] += 1
            self.loop.at(self.loop.now_s + fault.lasts_s, lambda: self._over(fault))
        else:
            self._blow(fault.name)

    def _over(self, fault: Fault) -> None:
        self._active[fault.name] -= 1
        self._ended_s[fault.name] = self.loop.now_s

    def _calm(self) -> None:
        """Everything is in order again."""
        self.ledger.note("world", "calm from here on")
        self._armed.clear()
        for name in list(self._active):
            if self._active[name] > 0:
                self._ended_s[name] = self.loop.now_s
                self._active[name] = -1000
        self.disk.cut_at = None

    def _blow(self, name: str) -> None:
        rng = self._blows
        match name:
            case "clock_forward":
                self._utc_offset_s += rng.uniform(60.0, 40_000.0)
            case "clock_back":
                self._utc_offset_s -= rng.uniform(60.0, 40_000.0)
            case "broker_cut":
                self.broker.lose()
            case "request":
                self._request(self._new_request())
            case "request_twice":
                self._request(self._last_request or self._new_request())
            case _ if self.life is not None:
                self._end(name)
            case _:
                pass

    def _end(self, name: str) -> None:
        """The daemon comes to an end, in one way or another."""
        rng = self._blows
        self._reboots = name.startswith("power") or (name == "card_damaged" and rng.random() < 0.5)
        assert self.life is not None
        if name == "card_damaged":
            self._damage = rng.choice(DAMAGES)
        if name == "settings_changed":
            self._changes_settings = True
        if name.endswith("in_commit"):
            self.disk.cut_at = rng.choice(CUTS)
        elif name in ("sigterm", "killed_while_stopping") or (
            name == "settings_changed" and rng.random() < 0.5
        ):
            self.life.sigterm()
            if name == "killed_while_stopping":
                self.loop.cut_in = rng.randint(0, 60)
        else:
            self.loop.cut_in = rng.choice((0, 1, 2, 3, 5, 8, 13, 21, 34))

    def _new_request(self) -> bytes:
        rng = self._blows
        self._asked += 1
        alarms = [*AlarmName]
        if self.life is not None and self.life.raised:
            alarms = self.life.raised
        asked = rng.choice(
            (
                {"request": "mode", "mode": rng.choice([*Mode])},
                {"request": "acknowledge", "alarm": rng.choice(alarms)},
                {"request": "acknowledge", "alarm": rng.choice(alarms)},
                {"request": "zero", "blower_off_confirmed": rng.random() < 0.5},
                {"request": "blower", "run": rng.random() < 0.7},
                {"request": "mode", "mode": "by itself"},
            )
        )
        return json.dumps({**asked, "id": f"request-{self._asked}", "by": "shift"}).encode()

    def _request(self, payload: bytes) -> None:
        self._last_request = payload
        if self.life is not None:
            self.ledger.note("people", payload.decode())
            self.life.ask(payload, local=self._blows.random() < 0.5)

    # --- the day

    def play(self) -> None:
        """The whole day. Raises ``Violation``."""
        for fault in plan.draw(self.rng("plan"), self.setpoints):
            self.loop.at(fault.at_s, lambda fault=fault: self._arm(fault))  # type: ignore[misc]
        self.loop.at(DAY_S - CALM_S, self._calm)
        for hour in range(2, 24, 2):
            self.loop.at(hour * 3600.0 + 17.0, self._look_at_broker)
        self.loop.at(DAY_S - 1.0, lambda: self._in_order(last=True))
        with self._in_place():
            while self.loop.now_s < DAY_S:
                self._one_life()
            self._end_of_day()

    @contextmanager
    def _in_place(self) -> Iterator[None]:
        """The outside of the three ports, in place of the real one."""
        quiet = structlog.make_filtering_bound_logger(QUIETEST)
        before = structlog.get_config()
        structlog.configure(wrapper_class=quiet)
        try:
            with (
                patch.object(sqlite3, "connect", self.disk.connect),
                patch.object(link, "connect", self.broker.connect),
                patch.object(engines, "step", self._step),
            ):
                yield
        finally:
            structlog.configure(**before)

    def _step(self, state: State, happened: Input, setpoints: Setpoints) -> Step:
        after = self.decide(state, happened, setpoints)
        self.watch.steps(state, happened, setpoints, after)
        self.audit.decided(happened, len(after.events))
        return after

    def _one_life(self) -> None:
        from faults.life import Life

        life = self.life = Life(self)
        self.lives += 1
        self.ledger.note("life", f"{self.lives} begins")
        self.watch.life_begins()
        if self.loop.now_s + 120.0 < DAY_S - CALM_S and self._blows.random() < 0.15:
            self.loop.cut_in = self._blows.randint(0, 80)
        # The day ends with an orderly stop.
        self.loop.at(max(DAY_S, self.loop.now_s), life.sigterm)
        task = self.loop.live(life.main())
        self._after(life, cut=task is None)
        if task is not None and task.exception() is not None:
            raise Violation("the daemon failed") from task.exception()
        if task is not None and life.stopped_s is not None:
            self._stopped_in_time(life)
        down_s = REFUSED_S if life.refused else RESTART_S
        if self._reboots:
            down_s = self._blows.choice((40.0, 600.0, 3600.0))
        self._pass(down_s)

    def _after(self, life: "Life", *, cut: bool) -> None:
        self.life = None
        self.field.module.excuse()
        moved_aside = self.disk.moved_aside
        if cut:
            where = self.disk.was_cut or "between commits"
            self.disk.was_cut = None
            self.ledger.note("life", f"cut: {where}")
            self.reached.see("crash", where)
            self.reached.crash(self.loop.suspended)
            self.broker.lose()
            self.disk.survive()
        else:
            self.disk.close()
            self.ledger.note("life", "refused" if life.refused else "ended in order")
            self.reached.see("end", "refused" if life.refused else "in order")
        if self.damage_pending and not moved_aside:
            return
        self.damage_pending = False
        self.audit.life_ended(life.journal, cut=cut)

    damage_pending = False

    def _pass(self, down_s: float) -> None:
        if self._damage is not None and not self.damage_pending:
            self.ledger.note("card", f"damaged: {self._damage}")
            self.reached.see("damage", self._damage)
            self.audit.damaged(self._damage)
            self.disk.damage(self._damage)
            self.damage_pending = True
        self._damage = None
        if self._changes_settings:
            self._changes_settings = False
            self.collector = collectors.changed(self.collector, self._blows)
            self.ledger.note("people", "changed the settings file")
        self.disk.cut_at = None
        self.loop.pass_until(self.loop.now_s + down_s)
        if self._reboots:
            self.boot_s = float(int(self.loop.now_s) - 10)
            self._reboots = False

    def _stopped_in_time(self, life: "Life") -> None:
        assert life.stopped_s is not None
        took_s = self.loop.now_s - life.stopped_s
        self.reached.see("stop", "in order")
        if self.was_active_within(took_s, (*DISK_FAULTS, "outputs_silent", "report_late")):
            return
        if took_s > STOPS_WITHIN_S:
            self.object(f"an orderly stop took {took_s:.3f} s")

    # --- looking at it from outside

    def _look_at_broker(self) -> None:
        """Once connected and drained, the broker knows what the daemon knows."""
        life = self.life
        if life is None or life.engine is None or not life.settled or self.broker.connection is None:
            return
        if self.was_active_within(60.0, (*DISK_FAULTS, "ack_lost")):
            return
        with self.disk.reader() as reader:
            if reader.execute("SELECT count(*) FROM outbox").fetchone()[0]:
                return
        self.reached.see("retained topics", "compared")
        self.audit.retained(life.renderer, life.engine.state)

    def _in_order(self, *, last: bool) -> None:
        """After two calm hours nothing may be left of the day's troubles."""
        life = self.life
        if life is None or life.engine is None or not life.settled:
            self.object("no daemon is at work at the end of a calm time")
            return
        state = life.engine.state
        if not state.outputs.proved or state.journal.fault is not None:
            self.object(f"not recovered: {state.outputs}, {state.journal}")
        if self.broker.connection is None:
            self.object("not connected at the end of a calm time")
        if self.loop.now_s - self.boot_s - state.sample.at.mono_s > 2 * self.collector.poll_s:
            self.object("does not poll at the end of a calm time")
        self.audit.retained(life.renderer, state)

    def _end_of_day(self) -> None:
        assert self.last_renderer is not None
        self.audit.replay()
        self.audit.subscriber(self.last_renderer)
        with self.disk.reader() as reader:
            for table in ("inputs", "events", "state"):
                for row in reader.execute(f"SELECT * FROM {table} ORDER BY 1"):
                    self.ledger.add(repr(row).encode())
        for payload in self.broker.received.values():
            self.ledger.add(payload)
        for topic, payload in sorted(self.broker.retained.items()):
            self.ledger.add(topic.encode() + payload)


def play(seed: int, **options: Any) -> World:
    """One day of ``seed`` on a card of its own. Raises ``Violation``, with the world as
    ``world``."""
    directory = IN_MEMORY if IN_MEMORY.is_dir() else None
    # Paths get into events, so they must not differ: the card is always in the present directory.
    with tempfile.TemporaryDirectory(prefix="card-", dir=directory) as root, chdir(root):
        world = World(seed, Path(), **options)
        try:
            world.play()
        except Violation as violation:
            violation.world = world
            raise
        finally:
            world.disk.close()
    return world
