"""The session of the edge node: births, data, deaths, and what is kept while nobody listens.

A state machine without a clock or a connection: what is observed and what happens to the
connection go in, publications come out one at a time, each numbered as it leaves. Topics are
``spBv1.0/group/TYPE/node[/device]``; births may have to wait for a primary host application.
"""

import json
from collections import deque
from collections.abc import Iterable, Sequence
from enum import Enum, StrEnum, auto

from dustcake.core.inputs import Stamp
from dustcake.core.record import record
from dustcake.publish.sparkplug.payload import DataType, Metric, Payload, encode
from dustcake.publish.sparkplug.reports import Change, Lost, Report, Source, milliseconds
from dustcake.publish.topics import Keep, Publication

NAMESPACE = "spBv1.0"


class MessageType(StrEnum):
    """What a message is. Those that begin with D name a device, those with N do not."""

    NBIRTH = "NBIRTH"
    NDATA = "NDATA"
    NDEATH = "NDEATH"
    NCMD = "NCMD"
    DBIRTH = "DBIRTH"
    DDATA = "DDATA"
    DDEATH = "DDEATH"
    DCMD = "DCMD"


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


class Heard(Enum):
    """What a STATE message came to."""

    ONLINE = auto()
    OFFLINE = auto()
    OLDER = auto()  # than one heard before, so it says nothing about now
    NOT_UNDERSTOOD = auto()


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

    def heard(self, payload: bytes) -> Heard:
        """Take in one STATE message on ``topic``."""
        try:
            said = json.loads(payload.decode())
        except (UnicodeDecodeError, ValueError, RecursionError):
            return Heard.NOT_UNDERSTOOD
        online = said.get("online") if isinstance(said, dict) else None
        at_ms = said.get("timestamp") if isinstance(said, dict) else None
        if not isinstance(online, bool) or isinstance(at_ms, bool) or not isinstance(at_ms, int):
            return Heard.NOT_UNDERSTOOD
        if self._newest_ms is not None and at_ms < self._newest_ms:
            return Heard.OLDER
        self._newest_ms = at_ms
        self._online = online
        return Heard.ONLINE if online else Heard.OFFLINE


REBIRTH = "Node Control/Rebirth"
BD_SEQ = "bdSeq"
DROPPED = "History/Dropped"
# With aliases in use, the request for a rebirth must have none.
WITHOUT_ALIAS = frozenset({REBIRTH})

MOST_METRICS = 100  # in one data message
MOST_UNSURE = 10_000
NODE_CAPACITY = 100
SEQ_END = 256


@record
class _Sent:
    """Data that left at ``mono_s``."""

    mono_s: float
    source: Source
    reports: Sequence[Report]


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
        self._node = Source(0, NODE_CAPACITY, WITHOUT_ALIAS)
        self._devices = {
            name: Source(number, capacity, frozenset())
            for number, name in enumerate(devices, start=1)
        }
        self._unsure_s = unsure_s
        self._sent: deque[_Sent] = deque(maxlen=MOST_UNSURE)
        self._bd_seq = 0
        self._next_bd_seq = 0
        self._seq = 0
        self._facts: tuple[Report, ...] = ()

    def will(self) -> Publication:
        """The death that belongs to the CONNECT about to be sent."""
        return self._ndeath(self._next_bd_seq)

    def connect_sent(self) -> None:
        """That CONNECT is on its way, so the next one has another number."""
        self._bd_seq = self._next_bd_seq
        self._next_bd_seq = (self._bd_seq + 1) % SEQ_END

    def death(self) -> Publication:
        """Last before an orderly end."""
        return self._ndeath(self._bd_seq)

    def _ndeath(self, bd_seq: int) -> Publication:
        metric = Metric(BD_SEQ, None, None, DataType.INT64, bd_seq)
        body = encode(Payload(None, (metric,)))
        return Publication(self.topics.of(MessageType.NDEATH), body, 1, False, Keep.LIVE)

    def disconnected(self, mono_s: float) -> None:
        """The session is over, in whichever way."""
        for source in (self._node, *self._devices.values()):
            source.make_past()
        again: dict[int, tuple[Source, list[Report]]] = {}
        for sent in self._sent:
            if mono_s - sent.mono_s < self._unsure_s:
                again.setdefault(id(sent.source), (sent.source, []))[1].extend(sent.reports)
        self._sent.clear()
        for source, reports in again.values():
            source.wait_again(reports)

    def observe_node(self, facts: Iterable[Report], utc_s: float) -> None:
        """What there is to say of the node itself, beside what Sparkplug wants."""
        self._facts = tuple(facts)
        self._observe_node(utc_s)

    def _observe_node(self, utc_s: float) -> None:
        dropped = sum(source.dropped for source in self._devices.values())
        own = (
            Report(BD_SEQ, DataType.INT64, self._bd_seq, utc_s),
            Report(REBIRTH, DataType.BOOLEAN, False, utc_s),
            Report(DROPPED, DataType.INT64, dropped, utc_s),
        )
        self._node.observe((*own, *self._facts), is_there=True)

    def observe(self, device: str, reports: Iterable[Report], *, is_there: bool) -> None:
        """The present values of ``device``, and whether they can be had at all."""
        self._devices[device].observe(reports, is_there=is_there)

    def metric_named(self, metric: Metric, device: str | None = None) -> str | None:
        """The name of what a command writes to; None where the birth named no such thing."""
        source = self._node if device is None else self._devices[device]
        if metric.alias is not None:
            return source.names.get(metric.alias)
        return metric.name if metric.name in source.names.values() else None

    @property
    def devices(self) -> tuple[str, ...]:
        """Their names."""
        return tuple(self._devices)

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
        metrics = self._node.birth().metrics
        return self._numbered(MessageType.NBIRTH, None, metrics, utc_s)

    def next_due(self, now: Stamp, utc_s: float) -> Publication | None:
        """The next message of a session whose node is born: None when all has been sent."""
        for name, source in self._devices.items():
            if source.is_there and not source.is_born:
                birth = source.birth()
                self._sent.append(_Sent(now.mono_s, source, birth.covered))
                return self._numbered(MessageType.DBIRTH, name, birth.metrics, utc_s)
        for name, source in self._devices.items():
            if source.is_born and source.waiting:
                if isinstance(source.waiting[0], Lost):
                    source.waiting.popleft()
                    source.make_past()
                    return self._numbered(MessageType.DDEATH, name, (), utc_s)
                return self._data(MessageType.DDATA, name, source, now, utc_s)
        self._observe_node(utc_s)
        if not self._node.is_born:
            return self.birth(utc_s)
        if self._node.waiting:
            return self._data(MessageType.NDATA, None, self._node, now, utc_s)
        return None

    def _data(
        self, kind: MessageType, device: str | None, source: Source, now: Stamp, utc_s: float
    ) -> Publication:
        reports: list[Report] = []
        metrics: list[Metric] = []
        while source.waiting and len(metrics) < MOST_METRICS:
            first = source.waiting[0]
            if not isinstance(first, Change):
                break
            source.waiting.popleft()
            reports.append(first.report)
            metrics.append(source.metric(first))
        self._sent.append(_Sent(now.mono_s, source, reports))
        return self._numbered(kind, device, tuple(metrics), utc_s)

    def _numbered(
        self, kind: MessageType, device: str | None, metrics: tuple[Metric, ...], utc_s: float
    ) -> Publication:
        body = encode(Payload(milliseconds(utc_s), metrics, self._seq))
        self._seq = (self._seq + 1) % SEQ_END
        return Publication(self.topics.of(kind, device), body, 0, False, Keep.LIVE)
