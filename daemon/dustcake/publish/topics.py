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
class Topics:
    """The topics of one collector."""

    root: str
    collector: str

    def _of(self, leaf: str) -> str:
        return f"{self.root}/{self.collector}/{leaf}"

    @property
    def online(self) -> str:
        """Whether the daemon is there (retained; the will says when it is not)."""
        return self._of("online")

    @property
    def measurement(self) -> str:
        """The reading, from time to time."""
        return self._of("measurement")

    @property
    def minute(self) -> str:
        """Statistics of each minute, once each and in order."""
        return self._of("minute")

    @property
    def state(self) -> str:
        """Mode, what is being done and why, permissives, valves, set points (retained)."""
        return self._of("state")

    def alarm(self, name: str) -> str:
        """One alarm (retained)."""
        return self._of(f"alarm/{name}")

    @property
    def event(self) -> str:
        """Everything that happens, once each and in order."""
        return self._of("event")

    def requests(self, level: Level) -> str:
        """Filter of what plant SCADA asks for at ``level``; the last topic level is who asks."""
        return self._of(f"request/{level.value}/+")

    def asked_by(self, topic: str) -> tuple[Level, str]:
        """The level of a request, and who asks, by the topic it came on. Raises ValueError for a
        topic that is none of ``requests``."""
        level, _, name = topic.removeprefix(self._of("request/")).partition("/")
        return Level(level), name

    def reply(self, name: str) -> str:
        """What became of requests of ``name`` that name no response topic of their own."""
        return self._of(f"reply/{name}")


def may_be_published_to(topic: str) -> bool:
    """Whether ``topic`` is one: something, without wildcards and what cannot be printed, in no more
    bytes than the protocol has room for (MQTT 5.0, sections 1.5.4 and 4.7)."""
    if not topic or set("+#") & set(topic) or not topic.isprintable():
        return False
    return len(topic.encode()) <= 65_535
