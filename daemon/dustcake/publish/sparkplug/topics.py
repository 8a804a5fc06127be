"""Topics of Sparkplug B: ``spBv1.0/group/TYPE/node[/device]``."""

from enum import StrEnum

from dustcake.core.record import record

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


def state_topic(host_id: str) -> str:
    """Where a host application says whether it is there."""
    return f"{NAMESPACE}/STATE/{host_id}"
