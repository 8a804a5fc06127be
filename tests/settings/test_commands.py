"""`dustcake check` and `dustcake schema`."""

import json
from pathlib import Path

import pytest

from dustcake.__main__ import main
from dustcake.settings.json_schema import settings_schema
from settings.files import BLOWER_CONTACT, file_text


def run(*arguments: str) -> int:
    return main(arguments)


@pytest.fixture
def good(tmp_path: Path) -> Path:
    path = tmp_path / "good.toml"
    path.write_text(file_text(), encoding="utf-8")
    return path


@pytest.fixture
def bad(tmp_path: Path) -> Path:
    path = tmp_path / "bad.toml"
    path.write_text(file_text("poll_s = 0\ncleaning.downtime = true"), encoding="utf-8")
    return path


def test_a_good_file_in_words(good: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run("check", str(good)) == 0
    out = capsys.readouterr().out
    assert out.startswith(f"{good}: in order\n")
    for said in (
        "Modbus TCP at 192.0.2.10 port 502",
        "collector west",
        "starts at 4.00 inH2O (996 Pa)",
        "stops at 3.00 inH2O (747 Pa)",
        "filter replacement above 5.00 inH2O (1245 Pa)",
        "in the order 2, 4, 1, 3",
        "! no blower contact: no downtime cleaning; no low dP alarm",
        "! no header transmitter",
        "! no smoke contact",
        "nothing is published",
    ):
        assert said in out
    assert "low dP alarm at" not in out


def test_what_is_fitted_is_not_missed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "fitted.toml"
    lines = BLOWER_CONTACT + "cleaning.downtime = true\nalarms.override.smoke.enabled = false"
    lines += "\npulsing.order = [1, 2, 3, 4]"
    mqtt = '[mqtt]\nhost = "broker.example"\ntls.verify = false\nversion = "3.1.1"\n'
    path.write_text(file_text(lines, tail=mqtt), encoding="utf-8")
    assert run("check", str(path)) == 0
    out = capsys.readouterr().out
    for said in (
        "downtime cleaning: 2 full cycles",
        "low dP alarm at 0.30 inH2O",
        "! alarms taken out: smoke",
        "! downtime cleaning pulses without air flow",
        "! the order pulses neighbours in succession (1 then 2, 2 then 3, 3 then 4)",
        "MQTT 3.1.1 to broker.example port 8883 with TLS, client identifier dustcake-site",
        "dustcake/west/",
        "requests over MQTT are not taken",
        "! the broker's certificate is not checked",
    ):
        assert said in out
    assert "no blower contact" not in out


def test_a_good_file_as_json(good: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run("check", "--json", str(good)) == 0
    first, *rest = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert first == {"file": str(good), "valid": True, "problems": 0, "collectors": ["west"]}
    assert {"bus io", "collector west", "daemon"} == {each["subject"] for each in rest}
    assert any(each["caution"] for each in rest)


def test_a_bad_file_in_words(bad: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run("check", str(bad)) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert captured.err.startswith(f"{bad}: 2 problems in the settings\n")
    assert "collector[west].poll_s: 0\n  allowed: a number from 0.1 to 60\n" in captured.err
    assert "collector[west].cleaning.downtime: true\n" in captured.err


def test_a_bad_file_as_json(bad: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run("check", "--json", str(bad)) == 2
    first, *rest = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert first == {"file": str(bad), "valid": False, "problems": 2}
    assert [each["setting"] for each in rest] == [
        "collector[west].poll_s",
        "collector[west].cleaning.downtime",
    ]
    assert all(set(each) == {"setting", "value", "allowed", "remedy"} for each in rest)


def test_no_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run("check", str(tmp_path / "none.toml")) == 2
    assert "no such file" in capsys.readouterr().err


def test_schema_printed(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("schema") == 0
    assert json.loads(capsys.readouterr().out) == settings_schema()


def test_schema_written(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    output = tmp_path / "schema.json"
    assert run("schema", "--output", str(output)) == 0
    assert json.loads(output.read_text(encoding="utf-8")) == settings_schema()
    assert capsys.readouterr().out == ""


def test_schema_to_a_place_that_is_not_there(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("schema", "--output", str(tmp_path / "none" / "schema.json")) == 2
    assert "No such file or directory" in capsys.readouterr().err
