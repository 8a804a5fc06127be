"""What the daemon serves: the tables `panel`, `metrics` and `plc`, and extras not installed."""

import json
from pathlib import Path
from typing import Any

import pytest

from dustcake.settings import extras
from dustcake.settings.errors import SettingsError
from dustcake.settings.load import load_settings
from dustcake.settings.summary import summary
from settings.files import file_text, only_problem, settings_of
from settings.test_commands import run
from system_support import settings


@pytest.mark.parametrize(("table", "port"), [("plc", 1502), ("metrics", 8471), ("panel", 8470)])
def test_off_unless_written_and_then_for_this_machine_alone(table: str, port: int) -> None:
    assert getattr(settings_of(), table) is None
    server = getattr(settings_of(tail=f"[{table}]\n"), table)
    assert (server.host, server.port, server.is_local) == ("127.0.0.1", port, True)


@pytest.mark.parametrize(
    ("line", "setting"),
    [
        ("port = 70000", "metrics.port"),
        ('path = "/x"', "metrics.path"),
        ("port = 0", "plc.port"),
        ('host = "tcp://x"', "plc.host"),
        ("write = true", "plc.write"),
        ("idle_s = 0.1", "plc.idle_s"),
    ],
)
def test_refused(line: str, setting: str) -> None:
    table = setting.partition(".")[0]
    assert only_problem(file_text(tail=f"[{table}]\n{line}\n")).setting == setting


@pytest.mark.parametrize("host", ["127.0.0.1", "192.0.2.7"])
def test_what_is_said_of_metrics(
    host: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "plant.toml"
    path.write_text(file_text(tail=f'[metrics]\nhost = "{host}"\n'), encoding="utf-8")
    assert run("check", str(path)) == 0
    out = capsys.readouterr().out
    assert f"OpenMetrics at http://{host}:8471/metrics" in out
    assert ("! whoever reaches that port can read them" in out) is (host != "127.0.0.1")


@pytest.mark.parametrize("extra", ["metrics", "panel"])
def test_an_extra_that_is_not_installed_is_warned_of(
    extra: str,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    path = tmp_path / "plant.toml"
    path.write_text(file_text(tail="[metrics]\n[panel]\n"), encoding="utf-8")
    assert run("check", str(path)) == 0
    assert "not installed" not in capsys.readouterr().out
    library = {"metrics": "prometheus_client", "panel": "starlette"}[extra]

    def found(name: str) -> object:
        return None if name == library else object()

    monkeypatch.setattr(extras, "find_spec", found)
    assert run("check", str(path)) == 0
    out = capsys.readouterr().out
    assert f"! the settings have a table [{extra}], and its libraries are not installed" in out
    assert f"install dustcake with the extra `{extra}`" in out


def test_what_is_said_of_the_plc(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "plant.toml"
    path.write_text(file_text(tail='[plc]\nhost = "192.0.2.7"\nport = 502\n'), encoding="utf-8")
    assert run("check", str(path)) == 0
    out = capsys.readouterr().out
    assert "read by Modbus TCP at 192.0.2.7 port 502; units 1 west" in out
    assert "! whoever reaches that port can read it" in out
    path.write_text(file_text(tail="[plc]\n"), encoding="utf-8")
    assert run("check", str(path)) == 0
    assert "whoever reaches" not in capsys.readouterr().out


def test_the_registers_can_be_printed(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("schema", "plc") == 0
    assert "| 4-5 | float32 | dP |" in capsys.readouterr().out


# --- the panel: no other network without a password, nor without TLS unless asked for

USERS = {"users_file": "/etc/dustcake/panel-users.json"}
TLS = {"tls": {"cert_file": "/etc/dustcake/cert.pem", "key_file": "/etc/dustcake/key.pem"}}


def loaded(directory: Path, panel: dict[str, Any]) -> Any:
    file = settings.write(directory, settings.tcp_bus(502), settings.collector(), panel=panel)
    return load_settings(file)


@pytest.mark.parametrize(
    ("panel", "shows_to_all"),
    [
        ({}, True),
        ({"host": "localhost"}, True),
        ({"open_view": False, **USERS}, False),
        ({"host": "0.0.0.0", **USERS, **TLS}, False),
        ({"host": "192.0.2.7", **USERS, "allow_plaintext": True}, False),
    ],
)
def test_who_sees_without_signing_in(
    tmp_path: Path, panel: dict[str, Any], shows_to_all: bool
) -> None:
    assert loaded(tmp_path, panel).panel.shows_to_all is shows_to_all


@pytest.mark.parametrize(
    ("panel", "told"),
    [
        ({"open_view": False}, {"panel.open_view": "add users_file"}),
        ({"host": "0.0.0.0", **TLS}, {"panel.host": "add users_file"}),
        ({"host": "192.0.2.7", **USERS}, {"panel.host": "allow_plaintext = true"}),
        ({"users_file": "users.json"}, {"panel.users_file": "absolute path"}),
        ({"tls": {"cert_file": "/c.pem"}}, {"panel.tls.key_file": "key_file"}),
        ({"password": "x"}, {"panel.password": ""}),
    ],
)
def test_what_is_refused_says_how_to_put_it_right(
    tmp_path: Path, panel: dict[str, Any], told: dict[str, str]
) -> None:
    with pytest.raises(SettingsError) as refused:
        loaded(tmp_path, panel)
    found = {problem.setting: json.dumps(str(problem)) for problem in refused.value.problems}
    for setting, remedy in told.items():
        assert remedy in found[setting]


def test_what_is_understood_warns_of_passwords_in_the_clear(tmp_path: Path) -> None:
    for panel, cautions in (({}, 0), ({"host": "192.0.2.7", **USERS, "allow_plaintext": True}, 1)):
        told = [one for one in summary(loaded(tmp_path, panel)) if one.subject == "panel"]
        assert told[0].text.startswith("http://")
        assert sum(one.caution for one in told) == cautions
