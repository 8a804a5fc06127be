"""What a subscriber has been told, to the byte, and what the journal says it should have been."""

import json
from dataclasses import dataclass
from pathlib import Path

from dustcake.adapters.store import History
from dustcake.core.reading import Quality
from dustcake.publish.render import Renderer
from dustcake.publish.topics import Topics
from dustcake.settings.load import load_settings
from dustcake.settings.setpoints import to_setpoints
from system_support.broker import Broker, Subscriber

SESSION = "ledger"
NAME = "hall-1"


@dataclass
class Told:
    """One message. ``again``: the broker had kept it, and repeats it to whoever subscribes."""

    topic: str
    again: bool
    payload: bytes


class Ledger:
    """Everything below ``dustcake/``, by a session that outlives connections and the broker."""

    def __init__(self, broker: Broker) -> None:
        self._broker = broker
        self._taken: list[Told] = []
        self.subscriber: Subscriber = broker.subscriber(
            "dustcake/#", line_format="%t\t%r\t%x", session=SESSION
        )

    @property
    def told(self) -> list[Told]:
        """Every message, in the order they came."""
        lines = self.subscriber.lines
        for line in lines[len(self._taken) :]:
            topic, again, payload = line.split("\t")
            self._taken.append(Told(topic, again == "1", bytes.fromhex(payload)))
        return self._taken

    @property
    def connections(self) -> int:
        """How often the broker has let the session in."""
        return self._broker.log.count(f" as {SESSION} (")

    def numbered(self, leaf: str, number: str = "seq") -> list[bytes]:
        """The payloads of a topic that are numbered, without repetitions. The same number with
        other bytes, a gap, or a first coming out of order fails the test."""
        first: dict[int, bytes] = {}
        for payload in self.payloads(leaf):
            n = json.loads(payload)[number]
            assert first.setdefault(n, payload) == payload, f"two payloads of {n}"
        assert list(first) == list(range(1, len(first) + 1)), _first_gap(list(first))
        return list(first.values())

    def tells(self, words: bytes, times: int = 1) -> bool:
        """Whether these are in so many different messages."""
        return len({one.payload for one in self.told if words in one.payload}) >= times

    def payloads(self, leaf: str) -> list[bytes]:
        """All of a topic, as they came."""
        return [one.payload for one in self.told if one.topic == f"dustcake/{NAME}/{leaf}"]

    def repetitions(self, leaf: str) -> int:
        """How many messages of a topic came again."""
        payloads = self.payloads(leaf)
        return len(payloads) - len(set(payloads))


def _first_gap(numbers: list[int]) -> str:
    for expected, n in enumerate(numbers, start=1):
        if n != expected:
            return f"{n} came where {expected} was due, after {len(numbers)} in all"
    return "nothing at all"


def renderer(settings: Path) -> Renderer:
    """As the daemon words this collector."""
    (collector,) = load_settings(settings).collectors
    topics = Topics("dustcake", collector.name)
    return Renderer(topics, to_setpoints(collector), collector.shown_in, 1)


def due(settings: Path, journal: Path) -> list[bytes]:
    """The payload of each event of the journal, in order.

    An event is told with the quality of the reading after the step it comes of, which follows
    from the events: a start knows no reading, and each change is one.
    """
    words = renderer(settings)
    with History(journal) as history:
        recorded = list(history.all_events(NAME, None, None))
    qualities: dict[tuple[int, float], Quality] = {}
    quality = Quality.FAILURE
    for one in recorded:
        if one.name == "started":
            quality = Quality.FAILURE
        elif one.name == "quality_changed":
            quality = Quality(one.fields["quality"])
        qualities[one.start, one.mono_s] = quality
    payloads = []
    for one in recorded:
        event = one.event()
        assert event is not None
        (publication,) = words.events([event], qualities[one.start, one.mono_s])
        payloads.append(publication.payload)
    return payloads
