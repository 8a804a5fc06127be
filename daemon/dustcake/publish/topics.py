"""Topics of plain mode: ``root/collector/...``."""

from dustcake.core.record import record


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

    @property
    def request(self) -> str:
        """What plant SCADA asks for."""
        return self._of("request")

    @property
    def reply(self) -> str:
        """What became of requests that name no response topic of their own."""
        return self._of("reply")


def may_be_published_to(topic: str) -> bool:
    """Whether ``topic`` is one: something, without wildcards and what cannot be printed, in no more
    bytes than the protocol has room for (MQTT 5.0, sections 1.5.4 and 4.7)."""
    if not topic or set("+#") & set(topic) or not topic.isprintable():
        return False
    return len(topic.encode()) <= 65_535
