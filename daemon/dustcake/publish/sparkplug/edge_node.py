"""The session of the edge node: births, data, deaths, and what is kept while nobody listens.

A state machine without a clock or a connection: what is observed and what happens to the
connection go in, publications come out one at a time, each numbered as it leaves. Topics are
``spBv1.0/group/TYPE/node[/device]``; births may have to wait for a primary host application.
"""

import json
from collections import deque
from collections.abc import Iterable, Mapping
from math import inf
from typing import Literal

from dustcake.core.inputs import Stamp
from dustcake.core.record import record
from dustcake.publish.sparkplug.payload import DataType, Metric, Written, bare_metric, payload
from dustcake.publish.topics import Keep, Publication

NAMESPACE = "spBv1.0"

MessageType = Literal["NBIRTH", "NDATA", "NDEATH", "NCMD", "DBIRTH", "DDATA", "DDEATH", "DCMD"]
"""What a message is. Those that begin with D name a device, those with N do not."""

Heard = Literal["online", "offline", "older", "not understood"]
"""What a STATE message came to; one older than one heard before says nothing about now."""


@record
class NodeTopics:
    """Topics of one edge node. Neither ``group`` nor ``node`` may hold ``+``, ``/`` or ``#``."""

    group: str
    node: str

    def of(self, kind: MessageType, device: str | None = None) -> str:
        """The topic of a message; ``device`` exactly for the types that name one."""
        assert (device is not None) is kind.startswith("D")
        topic = f"{NAMESPACE}/{self.group}/{kind}/{self.node}"
        return topic if device is None else f"{topic}/{device}"


class PrimaryHost:
    """``host_id`` None: no primary host is configured, and none is waited for."""

    def __init__(self, host_id: str | None) -> None:
        self._host_id = host_id
        self._online = False
        self._newest_ms: int | None = None

    @property
    def topic(self) -> str | None:
        """Where it says whether it is there, in STATE messages."""
        return None if self._host_id is None else f"{NAMESPACE}/STATE/{self._host_id}"

    @property
    def is_ready(self) -> bool:
        """Whether births may be published."""
        return self._host_id is None or self._online

    def connected(self) -> None:
        """A session with the broker has begun: what was heard before does not count, but for its
        time."""
        self._online = False

    def heard(self, message: bytes) -> Heard:
        """Take in one STATE message on ``topic``."""
        try:
            said = json.loads(message.decode())
        except (UnicodeDecodeError, ValueError, RecursionError):
            return "not understood"
        online = said.get("online") if isinstance(said, dict) else None
        at_ms = said.get("timestamp") if isinstance(said, dict) else None
        if not isinstance(online, bool) or isinstance(at_ms, bool) or not isinstance(at_ms, int):
            return "not understood"
        if self._newest_ms is not None and at_ms < self._newest_ms:
            return "older"
        self._newest_ms = at_ms
        self._online = online
        return "online" if online else "offline"


ALIASES_EACH = 65_536
MOST_METRICS = 100  # in one data message
MOST_UNSURE = 10_000  # messages
REBIRTH = "Node Control/Rebirth"  # with aliases in use, this one must have none


@record
class Change:
    """A value that waits. ``is_historical``: a newer one has been sent in a birth since."""

    metric: Metric
    is_historical: bool = False


class Lost:
    """Marks in the queue that the device was lost here."""


class Source:
    """Values by name, their aliases, and what waits, oldest first, ``capacity`` at most.

    ``number`` sets its aliases apart from those of every other source of the node.
    """

    def __init__(self, number: int, capacity: int) -> None:
        self._first_alias = number * ALIASES_EACH + 1
        self._capacity = capacity
        self._present: dict[str, Metric] = {}
        self._reported: dict[str, Metric] = {}
        self._aliases: dict[str, int] = {}
        self._sent: deque[tuple[float, list[Metric]]] = deque(maxlen=MOST_UNSURE)
        self.waiting: deque[Change | Lost] = deque()
        self.dropped = 0
        self.is_there = False
        self.is_born = False
        """Whether its birth has been published in this session, and no death since."""

    @property
    def names(self) -> Mapping[int, str]:
        """Metric by alias."""
        return {alias: name for name, alias in self._aliases.items()}

    def observe(self, metrics: Iterable[Metric], *, is_there: bool) -> None:
        """Take in the present values; all of them, each time."""
        was_there, self.is_there = self.is_there, is_there
        self._present = {metric.name: metric for metric in metrics}
        changed = [each for each in self._present.values() if self._is_news(each)]
        for metric in changed:
            if metric.name not in self._reported:
                # What a birth did not name must not be sent: there is another birth.
                self.is_born = False
                self._aliases.setdefault(metric.name, self._first_alias + len(self._aliases))
            self._reported[metric.name] = metric
        # The last values of a device that has just been lost still are news; those of one that
        # is away are not, for a subscriber takes nothing it has said for present.
        if was_there or is_there:
            for metric in sorted(changed, key=lambda each: each.utc_s):
                self._wait(Change(metric))
        if was_there and not is_there:
            self._wait(Lost())

    def _is_news(self, metric: Metric) -> bool:
        last = self._reported.get(metric.name)
        return last is None or metric.differs(last)

    def _wait(self, what: Change | Lost) -> None:
        if len(self.waiting) >= self._capacity:
            self.waiting.popleft()
            self.dropped += 1
        self.waiting.append(what)

    def disconnected(self, mono_s: float, unsure_s: float) -> None:
        """What left less than ``unsure_s`` ago may not have arrived: it waits once more, before
        everything else."""
        self.make_past()
        unsure = [each for at_s, sent in self._sent if mono_s - at_s < unsure_s for each in sent]
        self._sent.clear()
        room = self._capacity - len(self.waiting)
        kept = unsure[max(0, len(unsure) - room) :]
        self.dropped += len(unsure) - len(kept)
        self.waiting.extendleft(Change(metric, is_historical=True) for metric in reversed(kept))

    def birth(self, mono_s: float) -> list[bytes]:
        """Every metric with its present value. What waited that they say waits no longer, while
        older values do."""
        self.make_past()
        self._reported = dict(self._present)
        waited = [each for each in self.waiting if isinstance(each, Change)]
        self.waiting.clear()
        covered: list[Metric] = []
        for each in waited:
            reported = self._reported.get(each.metric.name)
            if each.metric == reported:
                covered.append(each.metric)
            elif reported is not None:
                self.waiting.append(each)
        self.is_born = True
        self._sent.append((mono_s, covered))
        return [
            metric.encoded(None if name == REBIRTH else self._aliases[name], in_birth=True)
            for name, metric in self._reported.items()
        ]

    def make_past(self) -> None:
        """No birth holds any more, and what waits will be history when it is sent."""
        self.is_born = False
        self.waiting = deque(
            Change(each.metric, is_historical=True)
            for each in self.waiting
            if isinstance(each, Change)
        )

    def data(self, mono_s: float) -> list[bytes]:
        """What has waited longest, as much as one message may have and up to a loss."""
        changes: list[Change] = []
        while self.waiting and len(changes) < MOST_METRICS:
            first = self.waiting[0]
            if isinstance(first, Lost):
                break
            self.waiting.popleft()
            changes.append(first)
        self._sent.append((mono_s, [each.metric for each in changes]))
        return [
            each.metric.encoded(self._aliases[each.metric.name], is_historical=each.is_historical)
            for each in changes
        ]


BD_SEQ = "bdSeq"
DROPPED = "History/Dropped"

NODE_CAPACITY = 100
SEQ_END = 256


class EdgeNode:
    """One edge node and its devices.

    ``capacity``: values of each device that are kept while they cannot be sent; then the oldest
    go, and are counted. ``unsure_s``: how long a broken connection may go unnoticed; what was
    sent within it is sent again as history, since QoS 0 has no acknowledgement.
    """

    def __init__(
        self, topics: NodeTopics, devices: Iterable[str], *, capacity: int, unsure_s: float
    ) -> None:
        self.topics = topics
        self.devices = tuple(devices)
        self._node = Source(0, NODE_CAPACITY)
        self._devices = {
            name: Source(at, capacity) for at, name in enumerate(self.devices, start=1)
        }
        self._unsure_s = unsure_s
        self._bd_seq = 0
        self._next_bd_seq = 0
        self._seq = 0
        self._facts: tuple[Metric, ...] = ()

    def will(self) -> Publication:
        """The death that belongs to the CONNECT about to be sent."""
        return self._ndeath(self._next_bd_seq)

    def connect_sent(self) -> None:
        """Note that CONNECT is on its way, so the next one has another number."""
        self._bd_seq = self._next_bd_seq
        self._next_bd_seq = (self._bd_seq + 1) % SEQ_END

    def death(self) -> Publication:
        """The death to be sent last before an orderly end."""
        return self._ndeath(self._bd_seq)

    def _ndeath(self, bd_seq: int) -> Publication:
        body = payload(None, [bare_metric(BD_SEQ, DataType.INT64, bd_seq)])
        return Publication(self.topics.of("NDEATH"), body, 1, False, Keep.LIVE)

    def disconnected(self, mono_s: float) -> None:
        """The session is over, in whichever way."""
        for source in (self._node, *self._devices.values()):
            source.disconnected(mono_s, self._unsure_s)

    def observe_node(self, facts: Iterable[Metric], utc_s: float) -> None:
        """What there is to say of the node itself, beside what Sparkplug wants."""
        self._facts = tuple(facts)
        self._observe_node(utc_s)

    def _observe_node(self, utc_s: float) -> None:
        dropped = sum(source.dropped for source in self._devices.values())
        own = (
            Metric(BD_SEQ, DataType.INT64, self._bd_seq, utc_s),
            Metric(REBIRTH, DataType.BOOLEAN, False, utc_s),
            Metric(DROPPED, DataType.INT64, dropped, utc_s),
        )
        self._node.observe((*own, *self._facts), is_there=True)

    def observe(self, device: str, metrics: Iterable[Metric], *, is_there: bool) -> None:
        """The present values of ``device``, and whether they can be had at all."""
        self._devices[device].observe(metrics, is_there=is_there)

    def metric_named(self, written: Written, device: str | None = None) -> str | None:
        """The name of what a command writes to; None where the birth named no such thing."""
        names = (self._node if device is None else self._devices[device]).names
        if written.alias is not None:
            return names.get(written.alias)
        return written.name if written.name in names.values() else None

    @property
    def is_born(self) -> bool:
        """Whether the birth of the node has been published in this session."""
        return self._node.is_born

    def birth(self, utc_s: float) -> Publication:
        """The birth of the node. The devices' follow as ``next_due``, before anything else."""
        for source in self._devices.values():
            source.make_past()
        self._observe_node(utc_s)
        self._seq = 0
        # What it says of the node is never history.
        return self._numbered("NBIRTH", None, self._node.birth(-inf), utc_s)

    def next_due(self, now: Stamp, utc_s: float) -> Publication | None:
        """The next message of a session whose node is born: None when all has been sent."""
        for name, source in self._devices.items():
            if source.is_there and not source.is_born:
                return self._numbered("DBIRTH", name, source.birth(now.mono_s), utc_s)
        for name, source in self._devices.items():
            if source.is_born and source.waiting:
                if isinstance(source.waiting[0], Lost):
                    source.make_past()
                    return self._numbered("DDEATH", name, (), utc_s)
                return self._numbered("DDATA", name, source.data(now.mono_s), utc_s)
        self._observe_node(utc_s)
        if not self._node.is_born:
            return self.birth(utc_s)
        if self._node.waiting:
            return self._numbered("NDATA", None, self._node.data(now.mono_s), utc_s)
        return None

    def _numbered(
        self, kind: MessageType, device: str | None, metrics: Iterable[bytes], utc_s: float
    ) -> Publication:
        body = payload(utc_s, metrics, self._seq)
        self._seq = (self._seq + 1) % SEQ_END
        return Publication(self.topics.of(kind, device), body, 0, False, Keep.LIVE)
