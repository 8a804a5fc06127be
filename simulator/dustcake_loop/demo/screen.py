"""What a subscriber of the demo has received, and the screen drawn from it with Rich."""

import json
from collections import deque
from dataclasses import dataclass, field
from typing import Any

from rich.bar import Bar
from rich.console import Console, ConsoleOptions, Group, RenderableType, RenderResult
from rich.layout import Layout
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from dustcake.publish.wording import spoken
from dustcake.units import PressureUnit, show

CAUTION = (
    "Simulated. A real collector holds explosible dust, compressed air and rotating parts: "
    "dustcake is no safety system."
)
_FULL_SCALE_PA = 2000.0
_BLOCKS = " ▁▂▃▄▅▆▇█"
TREND_LENGTH = 400
MESSAGES_SHOWN = 24


@dataclass
class PlantView:
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

    @property
    def is_over(self) -> bool:
        """The story has come to its end."""
        return self.cleanings_that_worked > 0 and self.replacement_raised

    @property
    def chapter(self) -> str:
        """The chapter of the story just now."""
        cleaning = self.state.get("phase") == "cleaning"
        if not self.state:
            return "Starting a broker, a simulated collector and the daemon."
        if self.replacement_raised:
            return "3. Worn: cleaning runs, dP stays high, the alarm asks for new filters."
        if self.cleanings_that_worked and cleaning:
            return "2. The media blinds: cleaning runs again, and helps less and less."
        if self.cleanings_that_worked:
            return "2. Cleaned: dP is down again. The media begins to blind."
        if cleaning:
            return "1. dP has reached the high set point: pulses knock the cake off."
        return "1. Dust cakes on the filters; dP rises towards the high set point."

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
    rest = (f"{k} {_field(v)}" for k, v in content.items() if k not in skipped)
    return f"#{content['seq']} {content['event']}: {', '.join(rest)}"


def _field(value: Any) -> str:
    if isinstance(value, dict):
        number = value["value"]
        shown = f"{number:.0f}" if isinstance(number, float) and number >= 10 else number
        return f"{shown} {value['unit']}"
    return str(value)


def screen(view: PlantView, running_s: float) -> Layout:
    """The whole screen."""
    layout = Layout()
    story = Panel(Text(view.chapter, style="bold"), title=f"dustcake demo, {running_s:.0f} s")
    caution = Text(f" {CAUTION}  Ctrl-C ends.", style="italic")
    layout.split_column(Layout(story, size=3), Layout(name="middle"), Layout(caution, size=1))
    layout["middle"].split_row(Layout(name="left"), Layout(name="right"))
    layout["left"].split_column(
        Layout(_pressure(view), size=9), Layout(_doing(view), size=7), Layout(_rows(view))
    )
    layout["right"].split_column(Layout(_alarms(view), size=9), Layout(_messages(view)))
    return layout


def _pressure(view: PlantView) -> RenderableType:
    dp: dict[str, Any] | None = view.measurement.get("dp")
    if dp is None or not view.state:
        return Panel("waiting for the first measurement", title="dP")
    pa, points = dp["value"], view.state["set_points"]
    value = f"no value: {'; '.join(dp['reasons'])}"
    if pa is not None:
        value = "   ".join(show(pa, unit) for unit in (PressureUnit.INH2O, PressureUnit.PA))
    words = "   ".join(
        f"{name[0].upper()} {name} {point['display']} ({point['value']:.0f} Pa)"
        for name, point in points.items()
    )
    marks = {name[0].upper(): points[name]["value"] for name in ("low", "high", "replacement")}
    return Panel(
        Group(
            Text(value, style="bold"),
            Bar(_FULL_SCALE_PA, 0.0, pa or 0.0),
            _Below(marks, list(view.trend_pa)),
            Text(f"set points: {words}", overflow="fold"),
        ),
        title=f"dP, quality {spoken(dp['quality'])}",
    )


@dataclass
class _Below:
    """Below the bar of dP the set points as marks, and its trend, as wide as there is room."""

    marks: dict[str, float]
    trend_pa: list[float]

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        width = options.max_width
        line = [" "] * width
        for mark, pa in self.marks.items():
            line[min(round(pa / _FULL_SCALE_PA * width), width - 1)] = mark
        yield Text("".join(line))
        # One reading of several, so that all of it finds room.
        readings = self.trend_pa[:: len(self.trend_pa) // width + 1]
        shares = [min(max(pa / _FULL_SCALE_PA, 0.0), 1.0) for pa in readings]
        yield Text("".join(_BLOCKS[round(share * (len(_BLOCKS) - 1))] for share in shares))


def _doing(view: PlantView) -> RenderableType:
    state = view.state
    if not state:
        return Panel("", title="cleaning")
    missing = [p["reason"] for p in state["permissives"] if p["met"] == "no"]
    lines = (
        Text(f"mode {spoken(state['mode'])}: {state['phase']}", style="bold"),
        Text(f"because {state['reason']}", overflow="fold"),
        Text(f"permissives: {'; '.join(missing) or 'all met'}", overflow="fold"),
    )
    return Panel(Group(*lines), title="cleaning")


def _rows(view: PlantView) -> RenderableType:
    table = Table("row", "pulses", "", expand=True, box=None)
    for valve in view.state.get("valves", ()):
        last = "last pulse" if valve["valve"] == view.state["last_valve"] else ""
        table.add_row(str(valve["valve"]), str(valve["pulses"]), last)
    header = view.measurement.get("header")
    if header is not None and header["value"] is not None:
        table.caption = f"header {show(header['value'], PressureUnit.BAR)}"
    return Panel(table, title="rows of filters")


def _alarms(view: PlantView) -> RenderableType:
    lines: list[RenderableType] = []
    for alarm in view.alarms.values():
        if alarm["state"] != "normal":
            head = f"! {alarm['title']} ({alarm['priority']}, {alarm['state']})"
            lines.append(Text(head, "bold"))
            lines += [Text(f"  {alarm[name]}", overflow="fold") for name in ("reason", "action")]
    if not lines:
        return Panel("none", title="alarms")
    return Panel(Group(*lines), title="alarms", border_style="bold")


def _messages(view: PlantView) -> RenderableType:
    # Newest first, so that it is on the screen whatever the height.
    recent = reversed(view.messages)
    return Panel(
        Text("\n".join(recent), overflow="fold"),
        title="an MQTT subscriber receives, newest first",
        subtitle="measurements not listed",
    )
