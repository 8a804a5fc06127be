"""What a copy of the package with one more alarm, `access_door_open`, makes of it."""

import json
from argparse import ArgumentParser
from pathlib import Path

from core.driver import ALL_FITTED, Collector, chosen
from dustcake.cli.request import configure
from dustcake.codec import STATE_FORMAT, decode_state, encode_state
from dustcake.core.alarms.names import AlarmName
from dustcake.core.record import replace
from dustcake.core.requests.kinds import Acknowledge
from dustcake.publish.alarm_manual import alarm_manual
from dustcake.publish.messages import messages_schema
from dustcake.publish.plc import RegisterSource, documentation, image
from dustcake.publish.render import Renderer
from dustcake.publish.sparkplug.collector import CollectorDevice
from dustcake.publish.topics import Topics
from dustcake.settings.json_schema import settings_schema
from dustcake.settings.load import parse_settings
from dustcake.settings.monitoring import DEFAULT_ALARMS
from dustcake.settings.setpoints import to_setpoints
from dustcake.units import PressureUnit

EXAMPLE = Path(__file__).parents[2] / "config" / "simulated.toml"


def main() -> None:
    """Print it as JSON."""
    new, unit = AlarmName("access_door_open"), PressureUnit.PA
    override = "[collector.alarms.override.access_door_open]\non_delay_s = 7.0\n"
    text = EXAMPLE.read_text(encoding="utf-8") + override
    (configured,) = [to_setpoints(each) for each in parse_settings(text).collectors]
    setpoints = chosen(fitted=ALL_FITTED, alarms=tuple(DEFAULT_ALARMS.values()))
    collector = Collector(setpoints, door_open=False, drum_full=False)
    older = replace(
        collector.state, alarms=tuple(a for a in collector.state.alarms if a.name is not new)
    )
    collector = Collector(
        setpoints, state=decode_state(encode_state(older), STATE_FORMAT), door_open=False
    )
    collector.hold(500.0, 2)
    collector.hold(500.0, 3, door_open=True)
    active = collector.state
    source = RegisterSource(active, setpoints, 1, collector.t)
    high, low = image(source)[16:18]
    renderer = Renderer(Topics("mill", "c1"), setpoints, unit, 30)
    published = {p.topic: json.loads(p.payload) for p in renderer.everything(active, None)}
    device = CollectorDevice(setpoints, unit, (10.0, 10_000.0))
    metrics = {metric.name: metric.value for metric in device.metrics(active, 0.0)}
    answer = collector.ask(Acknowledge("access_door_open"))
    commands = ArgumentParser()
    configure(commands)
    print(
        json.dumps(
            {
                "raised": collector.alarm_changes(new),
                "acknowledged": answer.accepted,
                "overridden": next(a.on_delay_s for a in configured.alarms if a.name is new),
                "listed": published["mill/c1/state"]["alarms"],
                "topic": published["mill/c1/alarm/access_door_open"],
                "enum": messages_schema()["$defs"]["alarm_name"]["enum"],
                "editor": json.dumps(settings_schema()),
                "bits": high << 16 | low,
                "map": documentation(),
                "metrics": {k: v for k, v in metrics.items() if "access_door_open" in k},
                "manual": alarm_manual(DEFAULT_ALARMS.values()),
                "offered": commands.parse_args(["acknowledge", "access_door_open"]).alarm,
            }
        )
    )


if __name__ == "__main__":
    main()
