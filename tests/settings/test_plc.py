"""The table `plc`."""

from pathlib import Path

import pytest

from settings.files import file_text, only_problem, settings_of
from settings.test_commands import run


def test_off_unless_written_and_then_for_this_machine_alone() -> None:
    assert settings_of().plc is None
    plc = settings_of(tail="[plc]\n").plc
    assert plc is not None
    assert (plc.host, plc.port, plc.is_local) == ("127.0.0.1", 1502, True)


@pytest.mark.parametrize(
    ("lines", "setting"),
    [
        ("port = 0", "plc.port"),
        ('host = "tcp://x"', "plc.host"),
        ("write = true", "plc.write"),
        ("idle_s = 0.1", "plc.idle_s"),
    ],
)
def test_refused(lines: str, setting: str) -> None:
    assert only_problem(file_text(tail=f"[plc]\n{lines}\n")).setting == setting


def test_what_is_understood(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
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
