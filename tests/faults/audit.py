"""What the card holds against what happened: after every life, and at the broker in the end."""

import json
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from dustcake.adapters.store import History, SqliteStore, StoreRefused
from dustcake.core.alarms.names import AlarmState
from dustcake.core.events import AlarmChanged, Event
from dustcake.core.inputs import Input, JournalReported, Restarted, Stamp
from dustcake.core.reading import Quality
from dustcake.core.setpoints import Setpoints
from dustcake.core.state import State, first_state
from dustcake.ports import Commit, Stored
from dustcake.publish.render import Renderer
from faults.plan import DISK_FAULTS

if TYPE_CHECKING:
    from faults.world import World

DURABLE_WITHIN_S = 10.0


class WatchedJournal:
    """The daemon's own store; remembers what it was last given, and what it said it kept."""

    def __init__(self, world: "World", store: SqliteStore) -> None:
        self._world, self._store = world, store
        self.kept: State | None = None
        self.attempted: State | None = None

    async def load(self, collector: str) -> Stored | None:
        stored = await self._store.load(collector)
        self._world.audit.loaded = None if stored is None else stored.state
        return stored

    async def last_seq(self, collector: str) -> int:
        return await self._store.last_seq(collector)

    async def commit(self, commit: Commit) -> str | None:
        self.attempted = commit.state
        self._world.trouble.trigger("commit")
        newest = commit.inputs[-1] if commit.inputs else None
        if isinstance(newest, JournalReported) and not newest.writable:
            self._world.trouble.rare_moment()  # failed so slowly that it is tried again at once
        failed = await self._store.commit(commit)
        self.attempted = None
        if failed is None:
            self.kept = commit.state
            self._world.audit.waiting_s = None
            self._world.trouble.trigger("committed")
            if commit.state.journal.fault is not None:
                self._world.trouble.rare_moment()  # stored, so the journal works again
        return failed


class Audit:
    """One for a whole history."""

    def __init__(self, world: "World") -> None:
        self.world = world
        self.events: list[Event] = []
        """Everything on record since the journal was last lost."""
        self.waiting_s: float | None = None
        """Since when an event has been decided and not committed."""
        self.replayed = 0
        self.loaded: State | None = None
        """What the present life has begun from."""
        self._state: State | None = None
        self._alarms: dict[str, str] = {}
        self._setpoints: dict[Stamp, Setpoints] = {}
        self._begun_from: dict[Stamp, State | None] = {}
        self._replay_seq = 1
        self._stripped: State | None = None

    def decided(self, happened: Input, events: int) -> None:
        """A step has been decided, with so many events."""
        if isinstance(happened, Restarted):
            self._setpoints[happened.at] = self.world.setpoints
            self._begun_from[happened.at] = self.loaded
        if events and self.waiting_s is None:
            self.waiting_s = self.world.loop.now_s

    def damaged(self, what: str) -> None:
        """The file is about to be damaged: what will still be expected of the next one."""
        if self._state is not None:
            self.replay()
        broker = self.world.broker
        if what == "events":
            # What is on record of the events goes; inputs, and readings beside them, too.
            broker.lost_until = len(self.events)
            self._replay_seq = len(self.events) + 1
            self._stripped = self._without_inputs()
            return
        self._state = self._stripped = None
        self._alarms = {}
        self.world.watch.executed.clear()
        if what == "state":
            # The events on record stay, and the numbers of those that come go on from there.
            self._replay_seq = len(self.events) + 1
            return
        self._replay_seq = 1
        self.events = []
        broker.new_starts += 1
        broker.lost_until = 0

    def _without_inputs(self) -> State | None:
        """The state as it stands by itself, without the later readings beside the inputs."""
        with self.world.disk.copy() as path, History(path) as history:
            stored = history.state(self.world.setpoints.collector)
        return None if stored is None else stored.state

    def life_ended(self, journal: WatchedJournal | None, *, cut: bool) -> None:
        """Read what the life left on the card, and compare."""
        self._events_were_durable(cut)
        self.waiting_s = None
        stored, events = self._read()
        possible = [self._state, self._stripped]
        if journal is not None and journal.kept is not None:
            possible, self._stripped = [journal.kept], None
        if journal is not None and journal.attempted is not None:
            possible.append(journal.attempted)
        if stored not in possible:
            self.world.object("the stored state is not the last one committed")
        self._state = stored
        for event in events:
            self._take(event)
        if stored is not None:
            self._alarms_kept(stored)

    def _events_were_durable(self, cut: bool) -> None:
        if self.waiting_s is None:
            return
        waited_s = self.world.loop.now_s - self.waiting_s
        if self.world.trouble.was_active_within(waited_s + DURABLE_WITHIN_S, DISK_FAULTS):
            return
        if not cut or waited_s > DURABLE_WITHIN_S:
            self.world.object(f"an event of {self.waiting_s:.3f} s was never committed")

    def _read(self) -> tuple[State | None, list[Event]]:
        name = self.world.setpoints.collector
        try:
            history = History(self.world.disk.path)
        except StoreRefused:
            return None, []  # the life was over before the file was whole
        with history:
            stored = history.state(name)
            if stored is None:
                return None, []
            new = stored.state.next_seq - 1 - len(self.events)
            if new < 0:
                self.world.object(f"{-new} events are gone")
            rows = history.newest(name, None, new + 1, 2 * new + 1)[::-1] if new else []
        events = [row.event() for row in rows[-new:]] if new else []
        if len(rows) > new and self.events and rows[0].seq != len(self.events):
            self.world.object(f"before the new events stands {rows[0].seq}")
        return stored.state, [event for event in events if event is not None]

    def _take(self, event: Event) -> None:
        if event.seq != len(self.events) + 1:
            self.world.object(f"event {event.seq} stored after event {len(self.events)}")
        self.events.append(event)
        if isinstance(event.body, AlarmChanged):
            self._alarms[event.body.alarm] = event.body.state

    def _alarms_kept(self, state: State) -> None:
        for alarm in state.alarms:
            told = self._alarms.get(alarm.name, AlarmState.NORMAL)
            if told != alarm.state:
                self.world.object(f"alarm {alarm.name} is {alarm.state}, but was told {told}")

    def replay(self) -> None:
        """The inputs on record, stepped again, give the events and the state on record."""
        state: State | None = None
        setpoints = self.world.setpoints
        events: list[Event] = []
        with History(self.world.disk.path) as history:
            for _, happened in history.inputs(self.world.setpoints.collector):
                if isinstance(happened, Restarted):
                    setpoints, begun_from = (
                        self._setpoints[happened.at],
                        self._begun_from[happened.at],
                    )
                    if state is not None and begun_from != state:
                        self.world.object(f"the life of {happened.at} began from another state")
                    afresh = first_state(setpoints, happened.at)
                    state = begun_from or replace(afresh, next_seq=self._replay_seq)
                if state is None:
                    self.world.object(f"the inputs on record begin with {happened}")
                    return
                result = self.world.decide(state, happened, setpoints)
                state = result.state
                events += result.events
                self.replayed += 1
        on_record = self.events[self._replay_seq - 1 :]
        if events != on_record:
            at = next((a.seq for a, b in zip(on_record, events, strict=False) if a != b), "the end")
            self.world.object(f"the inputs on record lead to other events from {at} on")
        if state != self._state:
            self.world.object("the inputs on record lead to another state than is stored")

    # --- at the broker

    def retained(self, renderer: Renderer, state: State) -> None:
        """The retained topics say what the daemon says."""
        wanted = {renderer.topics.of("state"): renderer.state_content(state)}
        for alarm, setting in zip(state.alarms, renderer.setpoints.alarms, strict=True):
            wanted[renderer.topics.of("alarm", alarm=alarm.name)] = renderer.alarm_content(
                alarm, setting
            )
        for topic, content in wanted.items():
            found = _without_sentences(json.loads(self.world.broker.retained.get(topic, b"{}")))
            for name, value in _without_sentences(json.loads(json.dumps(content))).items():
                if found.get(name) != value:
                    self.world.object(
                        f"retained {topic}: {name} is {found.get(name)!r}, not {value!r}"
                    )

    def subscriber(self, renderer: Renderer) -> None:
        """Every event on record has been told, once in order and as it is on record."""
        received, lost = self.world.broker.received, self.world.broker.lost_until
        for event in self.events:
            payload = received.get(event.seq)
            if payload is None:
                if event.seq > lost:
                    self.world.object(f"event {event.seq} is on record and was never told")
                continue
            (as_recorded,) = renderer.events([event], Quality.GOOD)
            if _without_quality(payload) != _without_quality(as_recorded.payload):
                self.world.object(f"event {event.seq} was told otherwise than it is on record")
        if len(received) and max(received) > len(self.events):
            self.world.object(f"event {max(received)} was told and is not on record")


def _without_quality(payload: bytes) -> dict[str, Any]:
    """The quality of the reading then is not in the event itself, only in what is told of it."""
    told: dict[str, Any] = json.loads(payload)
    if isinstance(told.get("dp"), dict):
        del told["dp"]["quality"]
    return told


def _without_sentences(told: Any) -> Any:
    """A sentence may hold a number of the reading, which is not told anew for that alone; nor is
    the air of a pulse, counted seconds after it."""
    if isinstance(told, dict):
        dropped = ("reason", "quality_reasons", "air")
        return {k: _without_sentences(v) for k, v in told.items() if k not in dropped}
    return [_without_sentences(v) for v in told] if isinstance(told, list) else told
