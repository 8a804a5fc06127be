"""An alarm more is a name, an entry with its condition, and a text: everything else follows."""

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from dustcake.core.alarms.catalogue import CATALOGUE

ROOT = Path(__file__).parents[2]
PACKAGE = ROOT / "daemon" / "dustcake"
BIT = max(entry.plc_bit for entry in CATALOGUE.values()) + 1

NAME = '    ACCESS_DOOR_OPEN = "access_door_open"\n'
CONDITION = """\
def _access_door_open(_context: StepContext, state: State) -> Condition:
    return state.contacts.door_open, because(Because.DOOR_OPEN)


"""
ENTRY = f"""\
    AlarmDefinition(
        AlarmName.ACCESS_DOOR_OPEN,
        plc_bit={BIT},
        priority=Priority.LOW,
        condition=_access_door_open,
        on_delay_s=2.0,
        off_delay_s=3.0,
        explains=(AlarmName.DRUM_FULL,),
    ),
"""
TEXT = """\
    AlarmName.ACCESS_DOOR_OPEN: AlarmText(
        "Access door open",
        "Dust gets out.",
        ("left open",),
        "Shut it.",
    ),
"""

USED = """
import json
from argparse import ArgumentParser
from pathlib import Path

from core.driver import ALL_FITTED, BASE, Collector, chosen
from dustcake.cli.request import configure
from dustcake.codec import STATE_FORMAT, decode_state, encode_state
from dustcake.core.alarms.catalogue import CATALOGUE
from dustcake.core.alarms.names import AlarmName
from dustcake.core.record import replace
from dustcake.core.requests.kinds import Acknowledge
from dustcake.publish.alarm_manual import alarm_manual
from dustcake.publish.messages.payload_schemas import messages_schema
from dustcake.publish.plc import RegisterSource, documentation, image
from dustcake.publish.render import Renderer
from dustcake.publish.sparkplug.collector import CollectorDevice
from dustcake.publish.topics import Topics
from dustcake.settings.alarms import DEFAULT_ALARMS
from dustcake.settings.json_schema import settings_schema
from dustcake.settings.load import parse_settings
from dustcake.settings.setpoints import to_setpoints
from dustcake.units import PressureUnit

new, unit = AlarmName("access_door_open"), PressureUnit.PA
override = "[collector.alarms.override.access_door_open]\\non_delay_s = 7.0\\n"
text = Path(EXAMPLE).read_text() + override
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
metrics = {report.name: report.value for report in device.reports(active, 0.0)}
answer = collector.ask(Acknowledge("access_door_open"))
commands = ArgumentParser()
configure(commands)
print(json.dumps({
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
}))
"""


def insert(file: Path, before: str, text: str) -> None:
    """Put ``text`` before the only place where ``before`` is found."""
    source = file.read_text(encoding="utf-8")
    assert source.count(before) == 1, f"{file.name} is not written as this test believes"
    file.write_text(source.replace(before, text + before), encoding="utf-8")


@pytest.fixture(scope="module")
def used(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """What a copy of the package with one more alarm makes of it."""
    folder = tmp_path_factory.mktemp("one_more_alarm")
    package = folder / "dustcake"
    shutil.copytree(PACKAGE, package, ignore=shutil.ignore_patterns("__pycache__"))
    insert(package / "core/alarms/names.py", "\n\nclass Priority(", NAME)
    insert(package / "core/alarms/equipment.py", "ALARMS = (\n", CONDITION)
    equipment = package / "core/alarms/equipment.py"
    equipment.write_text(equipment.read_text().removesuffix(")\n") + ENTRY + ")\n")
    insert(package / "publish/alarm_texts.py", "    AlarmName.READINGS_OFTEN_LOST:", TEXT)
    example = ROOT / "config" / "simulated.toml"
    done = subprocess.run(
        [sys.executable, "-c", USED.replace("EXAMPLE", repr(str(example)))],
        env={**os.environ, "PYTHONPATH": os.pathsep.join((str(folder), str(ROOT / "tests")))},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def test_it_is_raised_after_its_delay_and_acknowledged(used: dict[str, Any]) -> None:
    assert used["raised"] == [[5.0, "unacknowledged"], [5.0, "acknowledged"]]
    assert used["acknowledged"] is True


def test_settings_change_it_and_editors_know_it(used: dict[str, Any]) -> None:
    assert used["overridden"] == 7.0
    assert "access_door_open" in used["editor"]


def test_it_is_published(used: dict[str, Any]) -> None:
    assert used["listed"] == ["access_door_open"]
    assert used["topic"]["title"] == "Access door open"
    assert used["topic"]["priority"] == "low"
    assert used["topic"]["action"] == "Shut it."
    assert used["enum"][-1] == "access_door_open"


def test_a_plc_and_sparkplug_have_it(used: dict[str, Any]) -> None:
    assert used["bits"] == 1 << BIT
    assert f", {BIT} access_door_open;" in used["map"]
    assert used["metrics"] == {
        "Alarms/access_door_open/State": "unacknowledged",
        "Alarms/access_door_open/Active": True,
        "Alarms/access_door_open/Unacknowledged": True,
    }


def test_the_manual_and_the_command_line_have_it(used: dict[str, Any]) -> None:
    assert "### Access door open (`access_door_open`)" in used["manual"]
    assert "Priority low; on-delay 2 s, off-delay 3 s." in used["manual"]
    assert "| access_door_open | drum_full |" in used["manual"]
    assert used["offered"] == "access_door_open"
