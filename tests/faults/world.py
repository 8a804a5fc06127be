"""One collector, its surroundings and one day of faults."""

import logging
import sqlite3
import tempfile
from collections.abc import Callable, Iterator
from contextlib import chdir, contextmanager
from pathlib import Path
from random import Random
from typing import Any
from unittest.mock import patch

import structlog

from dustcake.adapters.mqtt import reconnect as upkeep
from dustcake.core.inputs import Input, Stamp
from dustcake.core.setpoints import Setpoints
from dustcake.core.state import State
from dustcake.core.step import Step, step
from dustcake.publish.render import Renderer
from dustcake.runtime import engine as engines
from faults import collectors, plan
from faults.audit import Audit
from faults.broker import Broker
from faults.disk import Disk
from faults.field import Field
from faults.ledger import Ledger
from faults.life import Life
from faults.loop import Violation, new_loop
from faults.people import People
from faults.plan import CALM_S, DAY_S, DISK_FAULTS, OUTPUT_FAULTS
from faults.reached import Reached
from faults.trouble import Trouble
from faults.watch import Watch

Decide = Callable[[State, Input, Setpoints], Step]

START_UTC_S = 1_900_000_000.0
STOPS_WITHIN_S = 2.0
IN_MEMORY = Path("/dev/shm")


class World:
    """Everything about one day. ``decide`` is the core and ``engine`` the engine, or mutants."""

    def __init__(
        self,
        seed: int,
        root: Path,
        *,
        decide: Decide = step,
        engine: type[engines.Engine] = engines.Engine,
        trace: Callable[[str], None] | None = None,
    ) -> None:
        self.seed = seed
        self.decide = decide
        self.engine = engine
        self.loop = new_loop()
        self.ledger = Ledger(lambda: self.loop.now_s, trace)
        self.reached = Reached()
        self.collector = collectors.draw(self.rng("collector"))
        self.trouble = Trouble(self)
        self.people = People(self)
        self.disk = Disk(self.loop, self.rng("disk"), root, self.trouble.active)
        self.field = Field(self, self.rng("field"), 2.5 * self.collector.poll_s)
        self.broker = Broker(self, self.rng("broker"))
        self.watch = Watch(self)
        self.audit = Audit(self)
        self.life: Life | None = None
        self.lives = 0
        self.boot_s = 0.0
        self.utc_offset_s = START_UTC_S
        self.damage_unnoticed = False
        """The card has been damaged, and no daemon has begun a new file yet."""
        self._renderer: Renderer | None = None

    def rng(self, what: str) -> Random:
        """A source of its own for each matter, so that one does not disturb another."""
        return Random(f"{self.seed} {what}")

    @property
    def setpoints(self) -> Setpoints:
        """Those of the settings file as it is now."""
        return self.collector.setpoints

    def now(self) -> Stamp:
        """The daemon's clocks: a reboot begins the monotonic one anew."""
        now_s = self.loop.now_s
        utc_s = None if self.trouble.active("clock_unset") else now_s + self.utc_offset_s
        return Stamp(now_s - self.boot_s, utc_s)

    def object(self, wrong: str) -> None:
        """An invariant does not hold."""
        if self.loop.violation is None:
            self.ledger.note("WRONG", wrong)
            self.loop.violation = Violation(wrong)
        raise self.loop.violation

    def change_settings(self, rng: Random) -> None:
        """Somebody has edited the settings file."""
        self.collector = collectors.changed(self.collector, rng)
        self.ledger.note("people", "changed the settings file")

    # --- the day

    def play(self) -> None:
        """The whole day. Raises ``Violation``."""
        for fault in plan.draw(self.rng("plan"), self.setpoints):
            self.loop.at(fault.at_s, lambda fault=fault: self.trouble.arm(fault))  # type: ignore[misc]
        self.loop.at(DAY_S - CALM_S, self.trouble.calm)
        for hour in range(2, 24, 2):
            self.loop.at(hour * 3600.0 + 17.0, self._look)
        self.loop.at(DAY_S - 1.0, self._in_order)
        with self._in_place():
            while self.loop.now_s < DAY_S:
                self._one_life()
            self._end_of_day()

    @contextmanager
    def _in_place(self) -> Iterator[None]:
        """The outside of the three ports, in place of the real one."""

        def rename(source: Path, target: Path) -> Path:
            return self.disk.rename(source, target)

        quiet = structlog.make_filtering_bound_logger(logging.CRITICAL)
        before = structlog.get_config()
        structlog.configure(wrapper_class=quiet)
        try:
            with (
                patch.object(sqlite3, "connect", self.disk.connect),
                patch.object(Path, "rename", rename),
                patch.object(upkeep, "connect", self.broker.connect),
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
        life = self.life = Life(self)
        self._renderer = life.renderer
        self.lives += 1
        self.ledger.note("life", f"{self.lives} begins")
        self.watch.life_begins()
        self.trouble.life_begins()
        self.loop.at(DAY_S, life.sigterm)
        task = self.loop.live(life.main())
        self.life = None
        self.field.module.excuse()
        if task is None:
            self._crashed()
        else:
            self._ended(life)
            if task.exception() is not None:
                self.ledger.note("WRONG", "the daemon failed")
                raise Violation("the daemon failed") from task.exception()
        if self.disk.damage_is_mended:
            self.damage_unnoticed = False
        if not self.damage_unnoticed:
            self.audit.life_ended(life.journal, cut=task is None)
        self.trouble.between_lives()
        self.loop.pass_until(self.loop.now_s + self.trouble.down_s(refused=life.refused))
        if self.trouble.reboots:
            self.trouble.reboots = False
            self.boot_s = float(int(self.loop.now_s) - 10)

    def _crashed(self) -> None:
        where = self.disk.was_cut or "between commits"
        self.disk.was_cut = None
        self.ledger.note("life", f"cut: {where}")
        self.reached.see("crash", where)
        self.reached.crash(self.loop.suspended)
        self.broker.lose()
        self.disk.survive()

    def _ended(self, life: Life) -> None:
        self.disk.close()
        how = "refused" if life.refused else "in order"
        self.ledger.note("life", f"ended: {how}")
        self.reached.see("end", how)
        if life.stopped_s is None:
            return
        took_s = self.loop.now_s - life.stopped_s
        excused = self.trouble.was_active_within(took_s, (*DISK_FAULTS, *OUTPUT_FAULTS))
        if took_s > STOPS_WITHIN_S and not excused:
            self.object(f"an orderly stop took {took_s:.3f} s")

    # --- looking at it from outside

    def _look(self) -> None:
        """Once connected and drained, the broker knows what the daemon knows; and the daemon
        knows whether its journal works."""
        life = self.life
        if life is None or life.engine is None or not life.settled:
            return
        if self.damage_unnoticed or self.trouble.was_active_within(300.0, DISK_FAULTS):
            return
        fault = life.engine.state.journal.fault
        if fault is not None and self.loop.now_s - life.began_s > 300.0:
            self.object(f"the journal works, but not to the daemon: {fault}")
        if fault is not None or self.broker.connection is None or not life.drained:
            return
        if self.trouble.was_active_within(60.0, ("ack_lost",)):
            return
        self.reached.see("retained topics", "compared")
        self.audit.retained(life.renderer, life.engine.state)

    def _in_order(self) -> None:
        """After calm hours nothing may be left of the day's troubles."""
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
        if life.drained:  # not in the milliseconds in which a pulse is being told
            self.audit.retained(life.renderer, state)

    def _end_of_day(self) -> None:
        assert self._renderer is not None
        self.audit.replay()
        self.audit.subscriber(self._renderer)
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
