"""What a subscriber has heard, taken apart."""

import json
from dataclasses import dataclass
from typing import Any

from system_support.broker import Broker, Subscriber

LINE_FORMAT = "%t\t%r\t%p"


@dataclass
class Message:
    """One message. ``retained``: kept by the broker from before the subscription."""

    topic: str
    retained: bool
    body: dict[str, Any]


class Heard:
    """All messages below ``dustcake/`` since the subscription, in order."""

    def __init__(self, subscriber: Subscriber) -> None:
        self._subscriber = subscriber

    @property
    def messages(self) -> list[Message]:
        """Everything the daemon says; each payload has its schema, time and number."""
        taken = []
        for line in self._subscriber.lines:
            topic, retained, text = line.split("\t", 2)
            if "/request/" in topic:
                continue
            body = json.loads(text)
            assert {"schema", "utc", "seq"} <= set(body), line
            taken.append(Message(topic, retained == "1", body))
        return taken

    def bodies(self, leaf: str, collector: str = "hall-1") -> list[dict[str, Any]]:
        """Payloads of one topic of one collector."""
        topic = f"dustcake/{collector}/{leaf}"
        return [message.body for message in self.messages if message.topic == topic]

    def events(self, name: str | None = None, collector: str = "hall-1") -> list[dict[str, Any]]:
        """Events, of one name if one is given."""
        return [e for e in self.bodies("event", collector) if name in (None, e["event"])]

    def gapless(self, collector: str = "hall-1") -> list[dict[str, Any]]:
        """The events without repetitions; that one is missing or out of order fails the test."""
        first: dict[int, dict[str, Any]] = {}
        for event in self.events(collector=collector):
            assert first.setdefault(event["seq"], event) == event
        numbers = list(first)
        assert numbers, "no event at all"
        assert numbers == list(range(numbers[0], numbers[0] + len(numbers))), numbers
        return list(first.values())


def listener(broker: Broker, *topics: str, **options: Any) -> Subscriber:
    """A mosquitto_sub for ``Heard``; to everything if no topics are given."""
    return broker.subscriber(*(topics or ("dustcake/#",)), line_format=LINE_FORMAT, **options)
