"""The table of commands: each command brings in what it needs, and no other."""

import json
import subprocess
import sys
from importlib.metadata import version
from pathlib import Path

import pytest

from dustcake.__main__ import COMMANDS, LAB, main
from dustcake.core.requests.definitions import REQUESTS
from settings.files import file_text

HEAVY = {
    *("pydantic", "structlog", "pymodbus", "serial", "aiomqtt", "paho", "numpy", "polars"),
    *("sqlite3", "asyncio", "starlette", "uvicorn", "rich"),
}
NAMES = [command.name for command in COMMANDS]
_PROGRAM = """
import json, os, sys
from dustcake.__main__ import main
for line in map(json.loads, sys.argv[1:]):
    sys.stdout.flush()
    if os.fork():
        os.wait()
        continue
    try:
        main(line)
    except SystemExit:
        pass
    print(json.dumps(sorted(sys.modules)), file=sys.stderr)
    break
"""


def imported(*lines: list[str]) -> list[set[str]]:
    """The modules that are imported when each of these commands is over, in a process of its own
    that has run nothing before."""
    done = subprocess.run(
        [sys.executable, "-c", _PROGRAM, *map(json.dumps, lines)],
        capture_output=True,
        text=True,
        check=True,
    )
    return [set(json.loads(line)) for line in done.stderr.splitlines() if line.startswith("[")]


def test_the_list_of_commands_imports_no_command_and_no_library() -> None:
    for modules in imported(["--help"], ["--version"]):
        assert not modules & HEAVY
        ours = {name for name in modules if name.startswith("dustcake") and name.count(".") > 1}
        assert ours == {"dustcake.cli.common"}


def test_help_of_a_command_imports_that_command_alone() -> None:
    rooms = {each.name: f"{each.room}.{each.name}" for each in COMMANDS}
    found = imported(*([name, "--help"] for name in NAMES))
    for name, modules in zip(NAMES, found, strict=True):
        # What backup has written restore reads.
        own = {rooms[name], rooms["backup"]} if name == "restore" else {rooms[name]}
        assert modules & set(rooms.values()) == own


def test_a_question_to_the_daemon_does_not_import_the_daemon(tmp_path: Path) -> None:
    file = tmp_path / "plant.toml"
    socket = f'[control]\nsocket = "{tmp_path}/control.sock"\n'
    file.write_text(file_text(tail=socket), encoding="utf-8")
    settings = ["--settings", str(file)]
    lines = (
        ["status", *settings],
        ["request", *settings, "mode", "off"],
        ["commission", *settings],
    )
    for modules in imported(*lines):
        assert "dustcake.settings.load" in modules, "it has come as far as the socket"
        assert not modules & (HEAVY - {"pydantic", "asyncio"})
        rooms = ("dustcake.runtime", "dustcake.adapters.store", "dustcake.adapters.mqtt")
        assert not {each for each in modules if each.startswith(rooms)}
        assert "dustcake.core.step" not in modules


def test_help_lists_every_command_in_order(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as left:
        main(["--help"])
    assert left.value.code == 0
    out = capsys.readouterr().out
    listed = [line.split()[0] for line in out.partition("COMMAND\n")[2].splitlines() if line]
    assert [name for name in listed if name in NAMES] == NAMES


def test_version(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as left:
        main(["--version"])
    assert left.value.code == 0
    assert capsys.readouterr().out == f"dustcake {version('dustcake')}\n"


@pytest.mark.parametrize("name", NAMES)
def test_help_of_every_command_has_an_example(
    name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as left:
        main([name, "--help"])
    assert left.value.code == 0
    assert f"dustcake {name}" in capsys.readouterr().out.partition("example")[2]


@pytest.mark.parametrize("request_name", REQUESTS)
def test_help_of_requests(request_name: str) -> None:
    with pytest.raises(SystemExit) as left:
        main(["request", request_name, "--help"])
    assert left.value.code == 0


@pytest.mark.parametrize(
    "arguments",
    [[], ["bogus"], ["check"], ["run", "--log-level", "loud", "x"], ["demo", "--speed", "-1"]],
)
def test_bad_usage_is_code_2(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as left:
        main(arguments)
    assert left.value.code == 2
    assert "usage: dustcake" in capsys.readouterr().err


@pytest.mark.parametrize("name", [each.name for each in COMMANDS if each.room == LAB])
def test_without_the_lab_its_commands_say_how_to_get_it(
    name: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("dustcake.cli.common.find_spec", lambda _: None)
    assert main([name, "--help"]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith(f"`dustcake {name}` is part of the lab, the package dustcake_lab, which")
    assert "pip install" in err


def test_without_the_lab_there_is_no_export(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("dustcake.cli.common.find_spec", lambda _: None)
    with pytest.raises(SystemExit) as left:
        main(["history", "--export", str(tmp_path / "trace.csv")])
    assert left.value.code == 2
    assert "--export is part of the lab" in capsys.readouterr().err
