"""A host application for tests: it believes only what the births told it, and checks every
message against the rules that hold for each."""

from dataclasses import dataclass, field
from typing import Any

from dustcake.core.inputs import Stamp
from dustcake.publish.sparkplug.edge_node import EdgeNode, NodeTopics
from dustcake.publish.sparkplug.payload import DataType, Metric, QualityCode
from dustcake.publish.topics import Publication
from publish.sparkplug.independent import parsed, quality_of, value_of

GROUP, NODE = "mill", "roof plant"
FIRST_UTC_S = 1_800_000_000.0
WITHOUT_ALIAS = "Node Control/Rebirth"


@dataclass
class Message:
    """One message, decoded by the independent decoder."""

    topic: str
    kind: str
    device: str | None
    qos: int
    retain: bool
    payload: Any


def received(publication: Publication) -> Message:
    """What arrives of ``publication``."""
    namespace, group, kind, node, *device = publication.topic.split("/")
    assert (namespace, group, node) == ("spBv1.0", GROUP, NODE)
    return Message(
        publication.topic,
        kind,
        device[0] if device else None,
        publication.qos,
        publication.retain,
        parsed(publication.payload),
    )


@dataclass
class Seen:
    """What a host knows of the node or of one device."""

    online: bool = False
    names: dict[int, str] = field(default_factory=dict)
    types: dict[str, int] = field(default_factory=dict)
    values: dict[str, Any] = field(default_factory=dict)
    qualities: dict[str, int] = field(default_factory=dict)
    history: list[tuple[str, int, Any]] = field(default_factory=list)
    """Everything that was told of each metric: name, time, value, in the order it came."""


class Host:
    """Takes messages in."""

    def __init__(self) -> None:
        self.messages: list[Message] = []
        self.node = Seen()
        self.devices: dict[str, Seen] = {}
        self.bd_seq: int | None = None
        self._next_seq: int | None = None

    def takes(self, publication: Publication) -> Message:
        """Check one message, and believe it."""
        message = received(publication)
        self.messages.append(message)
        if message.kind == "NDEATH":
            self._node_death(message)
            return message
        assert (message.qos, message.retain) == (0, False)
        if message.kind == "NBIRTH":
            assert message.payload.seq == 0
            for seen in self.devices.values():
                seen.online, seen.names = False, {}
            self._birth(message, self.node)
            self.bd_seq = next(value_of(m) for m in message.payload.metrics if m.name == "bdSeq")
        else:
            assert self.node.online, "before the birth of the node"
            assert message.payload.seq == self._next_seq
            self._device_message(message)
        self._next_seq = (message.payload.seq + 1) % 256
        return message

    def _device_message(self, message: Message) -> None:
        if message.device is None:
            assert message.kind == "NDATA"
            self._data(message, self.node)
            return
        seen = self.devices.setdefault(message.device, Seen())
        if message.kind == "DBIRTH":
            self._birth(message, seen)
        elif message.kind == "DDEATH":
            assert seen.online, "a death without a birth"
            seen.online = False
        else:
            assert message.kind == "DDATA"
            assert seen.online, "data of a device that is not born"
            self._data(message, seen)

    def _node_death(self, message: Message) -> None:
        (metric,) = message.payload.metrics
        assert metric.name == "bdSeq"
        if value_of(metric) == self.bd_seq:
            self.node.online = False
            for seen in self.devices.values():
                seen.online = False

    def _birth(self, message: Message, seen: Seen) -> None:
        seen.online = True
        seen.names, seen.types = {}, {}
        for metric in message.payload.metrics:
            assert metric.name not in seen.types, "twice in a birth"
            seen.types[metric.name] = metric.datatype
            if metric.name != WITHOUT_ALIAS:
                seen.names[metric.alias] = metric.name
            self._value(metric, metric.name, seen)
        others = [self.node, *self.devices.values()]
        aliases = [alias for each in others for alias in each.names]
        assert len(aliases) == len(set(aliases)), "an alias twice in one node"

    def _data(self, message: Message, seen: Seen) -> None:
        assert message.payload.metrics, "data without any"
        for metric in message.payload.metrics:
            assert not metric.HasField("name")
            assert not metric.HasField("datatype")
            self._value(metric, seen.names[metric.alias], seen)

    def _value(self, metric: Any, name: str, seen: Seen) -> None:
        assert metric.HasField("timestamp")
        assert quality_of(metric) in (0, 192, 500)
        value = value_of(metric)
        assert metric.is_null is (value is None)
        if value is not None:
            assert metric.WhichOneof("value") == _VALUE_FIELDS[seen.types[name]]
        seen.history.append((name, metric.timestamp, value))
        if not metric.is_historical:
            seen.values[name] = value
            seen.qualities[name] = quality_of(metric)


_VALUE_FIELDS = {3: "int_value", 4: "long_value", 10: "double_value", 11: "boolean_value"} | {
    12: "string_value"
}


def dp(value_pa: float | None, at_s: float, *, deadband: float = 0.0) -> Metric:
    """A metric of dP, ``at_s`` after the beginning."""
    quality = QualityCode.BAD if value_pa is None else QualityCode.GOOD
    utc_s = FIRST_UTC_S + at_s
    return Metric("dP", DataType.DOUBLE, value_pa, utc_s, quality, "Pa", deadband)


def mode(value: str, at_s: float) -> Metric:
    """A metric of something that seldom changes."""
    return Metric("Mode", DataType.STRING, value, FIRST_UTC_S + at_s)


class Session:
    """An edge node with its devices, and a host that hears it. Time is set by hand."""

    def __init__(self, *devices: str, capacity: int = 1000, unsure_s: float = 0.0) -> None:
        topics = NodeTopics(GROUP, NODE)
        names = devices or ("bay 3",)
        self.node = EdgeNode(topics, names, capacity=capacity, unsure_s=unsure_s)
        self.host = Host()
        self.at_s = 0.0
        self.will: Publication | None = None

    @property
    def utc_s(self) -> float:
        """The present time."""
        return FIRST_UTC_S + self.at_s

    def see(
        self, value_pa: float | None = 500.0, *, device: str = "bay 3", there: bool = True,
        mode_is: str = "off", deadband: float = 0.0,
    ) -> None:  # fmt: skip
        """One device reads so, a second later."""
        self.at_s += 1.0
        metrics = self.metrics(value_pa, mode_is, deadband)
        self.node.observe(device, metrics, is_there=there)

    def metrics(
        self, value_pa: float | None, mode_is: str = "off", deadband: float = 0.0
    ) -> list[Metric]:
        """What a device says now."""
        return [dp(value_pa, self.at_s, deadband=deadband), mode(mode_is, self.at_s)]

    def extra(self, name: str, value: float) -> Metric:
        """One more metric."""
        return Metric(name, DataType.DOUBLE, value, self.utc_s)

    def connect(self) -> None:
        """The broker takes the connection."""
        self.will = self.node.will()
        self.node.connect_sent()

    def be_born(self) -> list[Message]:
        """Connect and tell everything; what the host heard."""
        self.connect()
        return self.births()

    def births(self) -> list[Message]:
        """Births without a new connection, then everything that is due."""
        return [self.host.takes(self.node.birth(self.utc_s)), *self.tell()]

    def tell(self) -> list[Message]:
        """Everything that is due; what the host heard."""
        heard = []
        while (due := self.due()) is not None:
            heard.append(self.host.takes(due))
        return heard

    def due(self) -> Publication | None:
        """The next message, without the host hearing it."""
        return self.node.next_due(Stamp(self.at_s, self.utc_s), self.utc_s)

    def is_born(self) -> bool:
        """Whether the node is."""
        return self.node.is_born

    def vanish(self) -> None:
        """The connection breaks, and the broker publishes the will."""
        assert self.will is not None
        self.host.takes(self.will)
        self.node.disconnected(self.at_s)
