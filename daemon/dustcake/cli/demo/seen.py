"""What a subscriber has been told: all that the demo's screen shows comes through here."""

import json
from collections import deque
from dataclasses import dataclass, field
from typing import Any

TREND_LENGTH = 400
MESSAGES_SHOWN = 60


@dataclass
class Seen:
    """The newest of each topic, and the last few messages as they came."""

    online: bool = False
    measurement: dict[str, Any] = field(default_factory=dict)
    state: dict[str, Any] = field(default_factory=dict)
    alarms: dict[str, dict[str, Any]] = field(default_factory=dict)
    trend_pa: deque[float] = field(default_factory=lambda: deque(maxlen=TREND_LENGTH))
    messages: deque[str] = field(default_factory=lambda: deque(maxlen=MESSAGES_SHOWN))
    cleanings_that_worked: int = 0
    replacement_raised: bool = False

    def take(self, topic: str, body: bytes) -> str:
        """Take in one message; returns it as one readable line."""
        content: dict[str, Any] = json.loads(body)
        leaf = topic.split("/", 2)[2]
        if leaf == "measurement":
            self.measurement = content
            if content["dp"]["value"] is not None:
                self.trend_pa.append(content["dp"]["value"])
        elif leaf == "state":
            self.state = content
        elif leaf == "online":
            self.online = content["online"]
        elif leaf.startswith("alarm/"):
            self.alarms[content["alarm"]] = content
        elif leaf == "event":
            self._event(content)
        line = f"{topic}  {_short(leaf, content)}"
        if leaf != "measurement":
            self.messages.append(line)
        return line

    def _event(self, content: dict[str, Any]) -> None:
        if content["event"] == "cleaning_stopped" and content["reason_code"] == "low_reached":
            self.cleanings_that_worked += 1
        elif content["event"] == "alarm" and content["alarm"] == "filter_replacement":
            self.replacement_raised |= content["state"] == "unacknowledged"


def _short(leaf: str, content: dict[str, Any]) -> str:
    """The part of a payload that matters most."""
    if leaf == "measurement":
        dp = content["dp"]
        return f"{dp['value']} {dp['unit']} ({dp['quality']})"
    if leaf == "online":
        return f"online: {str(content['online']).lower()}"
    if leaf == "state":
        return f"{content['mode']}, {content['phase']}: {content['reason']}"
    if leaf.startswith("alarm/"):
        return f"{content['state']}: {content['reason']}"
    if leaf == "minute":
        return f"#{content['number']} statistics of one minute"
    skipped = {"schema", "utc", "seq", "event", "reason_code", "reason_codes"}
    rest = (f"{k} {_value(v)}" for k, v in content.items() if k not in skipped)
    return f"#{content['seq']} {content['event']}: {', '.join(rest)}"


def _value(value: Any) -> str:
    if isinstance(value, dict):
        number = value["value"]
        shown = f"{number:.0f}" if isinstance(number, float) and number >= 10 else number
        return f"{shown} {value['unit']}"
    return str(value)
