"""Plain mode's topics, ``root/collector/...``, and what is published to a topic."""

from enum import StrEnum

from dustcake.core.record import record
from dustcake.core.requests.definitions import Level


class Keep(StrEnum):
    """How long a publication matters."""

    EVENT = "event"  # must arrive, in order, however late
    LATEST = "latest"  # the newest of its topic must arrive; an older one not yet sent is dropped
    LIVE = "live"  # worth sending only now


@record
class Publication:
    """A message: full topic, UTF-8 JSON payload, MQTT QoS 0 or 1, retain flag, and after how many
    seconds the broker should forget it (MQTT 5 only; None: never)."""

    topic: str
    payload: bytes
    qos: int
    retain: bool
    keep: Keep
    expiry_s: int | None = None


@record
class Channel:
    """The topics of one kind of message. ``leaf``: what follows ``root/collector/``."""

    leaf: str
    keep: Keep
    about: str
    qos: int = 1
    retain: bool = False
    is_read: bool = False


CHANNELS = {
    "online": Channel(
        "online", Keep.LIVE, "Whether the daemon is there; false also by its will.", retain=True
    ),
    "measurement": Channel(
        "measurement",
        Keep.LIVE,
        "The reading, when it has changed by more than the deadband and at the latest after "
        "`measurement_every_s`. Expires (MQTT 5).",
        qos=0,
    ),
    "state": Channel("state", Keep.LATEST, "What is being done, and why.", retain=True),
    "alarm": Channel("alarm/{alarm}", Keep.LATEST, "One alarm.", retain=True),
    "event": Channel("event", Keep.EVENT, "Everything that happens, in order, once each by `seq`."),
    "minute": Channel("minute", Keep.EVENT, "Statistics of each minute, in order."),
    "reply": Channel(
        "reply/{name}", Keep.LIVE, "Answers to requests that name no response topic (MQTT 5).", 0
    ),
    "request": Channel(
        "request/{level}/{name}",
        Keep.LIVE,
        "What plant SCADA asks for; read only with `requests_enabled` (level `acknowledge`) or "
        "`requests_adjust` (level `adjust`, all requests). With MQTT 5 the reply goes to the "
        "response topic, with the correlation data of the request. A request holds for "
        "`request_expiry_s`: it has `utc`, or a message expiry interval of no more.",
        is_read=True,
    ),
}


@record
class Topics:
    """The topics of one collector."""

    root: str
    collector: str

    def of(self, kind: str, **places: str) -> str:
        """The topic of messages of ``kind``; ``places``: what its channel has in braces."""
        return f"{self.root}/{self.collector}/{CHANNELS[kind].leaf.format(**places)}"

    def requests(self, level: Level) -> str:
        """Filter of what plant SCADA asks for at ``level``; the last topic level is who asks."""
        return self.of("request", level=level, name="+")

    def asked_by(self, topic: str) -> tuple[Level, str]:
        """The level of a request, and who asks, by the topic it came on. Raises ValueError for a
        topic that is none of ``requests``."""
        _, level, name = topic.rsplit("/", 2)
        return Level(level), name


def may_be_published_to(topic: str) -> bool:
    """Whether ``topic`` is one: something, without wildcards and what cannot be printed, in no more
    bytes than the protocol has room for (MQTT 5.0, sections 1.5.4 and 4.7)."""
    if not topic or set("+#") & set(topic) or not topic.isprintable():
        return False
    return len(topic.encode()) <= 65_535
