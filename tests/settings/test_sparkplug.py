"""The table `sparkplug`: names a topic can carry, and the rules of a broker."""

from pathlib import Path

import pytest

from publish.sparkplug.covering import covers
from settings.files import collector_text, file_text, only_problem, problems_in, settings_of
from settings.test_commands import run

HEAD = '[sparkplug]\nhost = "localhost"\n'
NAMES = 'group = "plate shop"\nnode = "roof"\n'


@covers(
    "topic-structure-namespace-valid-group-id",
    "topic-structure-namespace-valid-edge-node-id",
    "intro-group-id-string",
    "intro-group-id-chars",
    "intro-edge-node-id-string",
    "intro-edge-node-id-chars",
)
@pytest.mark.parametrize("name", ["a+b", "a/b", "#", "", "line\\nbreak"])
def test_names_a_topic_cannot_carry(name: str, assertion: str) -> None:
    for setting in ("group", "node"):
        other = {"group": "node", "node": "group"}[setting]
        lines = f'{setting} = "{name}"\n{other} = "ü ñ 7"\n'
        problem = only_problem(file_text(tail=HEAD + lines))
        assert problem.setting == f"sparkplug.{setting}"
    found = only_problem(file_text(tail=f'{HEAD}{NAMES}primary_host = "{name}"\n'))
    assert found.setting == "sparkplug.primary_host"


@covers(
    "topic-structure-namespace-valid-device-id",
    "intro-device-id-string",
    "intro-device-id-chars",
)
@pytest.mark.parametrize("name", ["a+b", "a/b", "#"])
def test_a_collector_is_a_device_and_named_like_one(name: str, assertion: str) -> None:
    bad = file_text(name=name, tail=HEAD + NAMES)
    assert all(".name" in setting for setting in problems_in(bad))


@covers("topic-structure-namespace-unique-device-id", "case-sensitivity-sparkplug-ids")
@pytest.mark.parametrize("name", ["west", "West"])
def test_devices_differ_in_more_than_capitals(name: str, assertion: str) -> None:
    second = collector_text(name=name).replace("coils = [0, 1, 2, 3]", "coils = [4, 5]")
    second = second.replace("register = 0", "register = 8")
    found = only_problem(file_text(tail=second + HEAD + NAMES))
    assert found.setting.endswith(".name")


@pytest.mark.parametrize(
    ("lines", "setting"),
    [
        ('host = "broker.example"', "sparkplug.host"),
        ('host = "localhost"\npassword_file = "/p"', "sparkplug.username"),
        ('host = "localhost"\ntls.cert_file = "/c"', "sparkplug.tls.key_file"),
        (
            'host = "broker.example"\ntls = {}\ncommands_enabled = true',
            "sparkplug.commands_enabled",
        ),
        ('host = "localhost"\ndp_deadband = "0 Pa"', "sparkplug.dp_deadband"),
        ('host = "localhost"\nhistory_values = 0', "sparkplug.history_values"),
        ('host = "localhost"\nroot = "x"', "sparkplug.root"),
    ],
)
def test_refused(lines: str, setting: str) -> None:
    found = only_problem(file_text(tail=f"[sparkplug]\n{lines}\n{NAMES}"))
    assert found.setting == setting
    assert ("[mqtt" in found.remedy) is (setting == "sparkplug.root"), "where that belongs"


def test_a_connection_apart_from_plain_mode() -> None:
    settings = settings_of(tail=f'[mqtt]\nhost = "localhost"\n{HEAD}{NAMES}')
    assert (
        settings.client_id("sparkplug") == "dustcake-site-sparkplug" != settings.client_id("mqtt")
    )
    assert settings.sparkplug is not None
    assert settings.sparkplug.dp_deadband.pa == 10.0
    named = settings_of(tail=f'{HEAD}{NAMES}client_id = "mill"\n')
    assert named.client_id("sparkplug") == "mill"
    long = settings_of(tail=f'[site]\nname = "{"x" * 200}"\n{HEAD}{NAMES}')
    assert len(long.client_id("sparkplug")) == 128
    assert long.client_id("sparkplug").endswith("-sparkplug")


def test_what_is_understood(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "plant.toml"
    tail = f'{HEAD}{NAMES}primary_host = "control room"\ncommands_enabled = true\n'
    path.write_text(file_text(tail=tail), encoding="utf-8")
    assert run("check", str(path)) == 0
    out = capsys.readouterr().out
    for said in (
        "client identifier dustcake-site-sparkplug",
        "edge node roof of group plate shop; devices west",
        "nothing is published while control room is offline",
        "commands to devices are taken to see to alarms",
    ):
        assert said in out
    assert "nothing is published:" not in out
    path.write_text(file_text(tail=HEAD + NAMES), encoding="utf-8")
    assert run("check", str(path)) == 0
    out = capsys.readouterr().out
    assert "nobody is waited for" in out
    assert "commands to devices are not taken" in out
