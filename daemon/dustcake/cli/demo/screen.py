"""What a subscriber of the demo has received, and the screen drawn from it with Rich."""

import json
from collections import deque
from dataclasses import dataclass, field
from typing import Any

from rich.console import Console, ConsoleOptions, Group, RenderableType, RenderResult
from rich.layout import Layout
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from dustcake.units import PressureUnit, show

CAUTION = (
    "Simulated. A real collector holds explosible dust, compressed air and rotating parts: "
    "dustcake is no safety system."
)
_FULL_SCALE_PA = 2000.0
_BLOCKS = " ▁▂▃▄▅▆▇█"
TREND_LENGTH = 400
MESSAGES_SHOWN = 60


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


def screen(view: PlantView, chapter: str, running_s: float) -> Layout:
    """The whole screen."""
    layout = Layout()
    layout.split_column(
        Layout(
            Panel(Text(chapter, style="bold"), title=f"dustcake demo, {running_s:.0f} s"), size=3
        ),
        Layout(name="middle"),
        Layout(Text(f" {CAUTION}  Ctrl-C ends.", style="italic"), size=1),
    )
    layout["middle"].split_row(Layout(name="left"), Layout(name="right"))
    layout["left"].split_column(
        Layout(_pressure(view), size=9),
        Layout(_doing(view), size=7),
        Layout(_rows(view)),
    )
    layout["right"].split_column(Layout(_alarms(view), size=9), Layout(_messages(view)))
    return layout


def _pressure(view: PlantView) -> RenderableType:
    dp: dict[str, Any] | None = view.measurement.get("dp")
    if dp is None or not view.state:
        return Panel("waiting for the first measurement", title="dP")
    if dp["value"] is None:
        value: RenderableType = Text("no value: " + "; ".join(dp["reasons"]), style="bold")
    else:
        value = Text(
            f"{show(dp['value'], PressureUnit.INH2O)}   {show(dp['value'], PressureUnit.PA)}",
            style="bold",
        )
    points = view.state["set_points"]
    words = "   ".join(
        f"{name[0].upper()} {name} {point['display']} ({point['value']:.0f} Pa)"
        for name, point in points.items()
    )
    marks = {"L": points["low"], "H": points["high"], "R": points["replacement"]}
    return Panel(
        Group(
            value,
            _Gauge(
                dp["value"] or 0.0,
                {mark: point["value"] for mark, point in marks.items()},
                list(view.trend_pa),
            ),
            Text(f"set points: {words}", overflow="fold"),
        ),
        title=f"dP, quality {dp['quality'].replace('_', ' ')}",
    )


@dataclass
class _Gauge:
    """dP as a bar with the set points marked under it, and its trend, as wide as there is room."""

    pa: float
    marks: dict[str, float]
    trend_pa: list[float]

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        width = max(options.max_width - 1, 10)
        yield Text(_bar(self.pa, width))
        yield Text(_scale(self.marks, width))
        yield Text(_trend(self.trend_pa, width))


def _bar(pa: float, width: int) -> str:
    filled = round(min(max(pa / _FULL_SCALE_PA, 0.0), 1.0) * width)
    return "█" * filled + "·" * (width - filled)


def _scale(marks: dict[str, float], width: int) -> str:
    """Where the set points lie under the bar: low, high, replacement."""
    line = [" "] * (width + 1)
    for mark, pa in marks.items():
        line[min(round(pa / _FULL_SCALE_PA * width), width)] = mark
    return "".join(line)


def _trend(values_pa: list[float], width: int) -> str:
    """The last minutes of dP, one character for several readings."""
    per = max(1, -(-len(values_pa) // width))
    means = [
        sum(values_pa[i : i + per]) / len(values_pa[i : i + per])
        for i in range(0, len(values_pa), per)
    ]
    steps = len(_BLOCKS) - 1
    return "".join(_BLOCKS[round(min(m / _FULL_SCALE_PA, 1.0) * steps)] for m in means if m >= 0)


def _doing(view: PlantView) -> RenderableType:
    state = view.state
    if not state:
        return Panel("", title="cleaning")
    missing = [p for p in state["permissives"] if p["met"] == "no"]
    permits = "; ".join(p["reason"] for p in missing) or "all met"
    return Panel(
        Group(
            Text(f"mode {state['mode'].replace('_', ' ')}: {state['phase']}", style="bold"),
            Text(f"because {state['reason']}", overflow="fold"),
            Text(f"permissives: {permits}", overflow="fold"),
        ),
        title="cleaning",
    )


def _rows(view: PlantView) -> RenderableType:
    table = Table(expand=True, box=None)
    for column in ("row", "pulses", ""):
        table.add_column(column)
    for valve in view.state.get("valves", ()):
        last = "last pulse" if valve["valve"] == view.state["last_valve"] else ""
        table.add_row(str(valve["valve"]), str(valve["pulses"]), last)
    header = view.measurement.get("header")
    if header is not None and header["value"] is not None:
        table.caption = f"header {show(header['value'], PressureUnit.BAR)}"
    return Panel(table, title="rows of filters")


def _alarms(view: PlantView) -> RenderableType:
    active = [a for a in view.alarms.values() if a["state"] != "normal"]
    if not active:
        return Panel("none", title="alarms")
    lines: list[RenderableType] = []
    for alarm in active:
        lines.append(Text(f"! {alarm['title']} ({alarm['priority']}, {alarm['state']})", "bold"))
        lines.append(Text(f"  {alarm['reason']}", overflow="fold"))
        lines.append(Text(f"  {alarm['action']}", overflow="fold"))
    return Panel(Group(*lines), title="alarms", border_style="bold")


def _messages(view: PlantView) -> RenderableType:
    recent = list(view.messages)[-24:]
    # Newest first, so that it is on the screen whatever the height.
    return Panel(
        Text("\n".join(reversed(recent)), overflow="fold"),
        title="an MQTT subscriber receives, newest first",
        subtitle="measurements not listed",
    )
