"""An alarm more is a name, an entry with its condition, a text, and what it explains, if anything:
everything else follows."""

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from dustcake.core.alarms.names import AlarmName

ROOT = Path(__file__).parents[2]
PACKAGE = ROOT / "daemon" / "dustcake"
BIT = len(AlarmName)

NAME = '    ACCESS_DOOR_OPEN = "access_door_open"\n'
ENTRY = """

@alarm(AlarmName.ACCESS_DOOR_OPEN, Priority.LOW, on_delay_s=2.0, off_delay_s=3.0)
def _access_door_open(_context: StepContext, state: State) -> Condition:
    return state.contacts.door_open, because(Because.DOOR_OPEN)
"""
EXPLAINS = "        AlarmName.ACCESS_DOOR_OPEN: (AlarmName.DRUM_FULL,),\n"
TEXT = """\
    AlarmName.ACCESS_DOOR_OPEN: AlarmText(
        "Access door open",
        "Dust gets out.",
        "left open",
        "Shut it.",
    ),
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
    with (package / "core/alarms/equipment.py").open("a", encoding="utf-8") as equipment:
        equipment.write(ENTRY)
    insert(package / "core/alarms/catalogue.py", "        # All that hangs on the wire", EXPLAINS)
    insert(package / "publish/alarm_texts.py", "    AlarmName.READINGS_OFTEN_LOST:", TEXT)
    done = subprocess.run(
        [sys.executable, "-m", "publish.one_more_alarm"],
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
