"""One message for the broker."""

from enum import StrEnum

from dustcake.core.record import record


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
