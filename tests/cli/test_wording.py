"""What commands say and how they end, called in process; with a daemon, see tests/system."""

import json
import shlex
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from dustcake.__main__ import main
from dustcake.cli import common
from system_support import settings
from system_support.processes import Done

Dustcake = Callable[..., Done]
GOOD = settings.collector()


@pytest.fixture
def dustcake(capsys: pytest.CaptureFixture[str]) -> Dustcake:
    """Runs a command line to its end."""

    def run(*arguments: object) -> Done:
        try:
            code = main([str(each) for each in arguments])
        except SystemExit as left:
            code = int(str(left.code))
        return Done(code, *capsys.readouterr())

    return run


def file_for(directory: Path) -> Path:
    return settings.write(directory, settings.tcp_bus(502), GOOD)


def files(directory: Path) -> list[str]:
    return [path.name for path in directory.iterdir()]


@pytest.mark.parametrize("command", [["check"], ["read"], ["run"], ["status", "--settings"]])
def test_a_missing_settings_file_is_code_2(
    dustcake: Dustcake, tmp_path: Path, command: list[str]
) -> None:
    missing = tmp_path / "plant.toml"
    done = dustcake(*command, missing)
    assert done.code == 2
    assert f"{missing}: 1 problem" in done.err
    assert "no such file" in done.err
    assert "remedy:" in done.err
    assert not done.out


@pytest.mark.parametrize("command", ["check", "read", "run"])
def test_every_mistake_is_named_with_value_and_remedy(
    dustcake: Dustcake, tmp_path: Path, command: str
) -> None:
    wrong = settings.merged(
        GOOD,
        {
            "cleaning": {"high": "4 bananas", "on_delay": 5.0},
            "pulsing": {"on_time_s": 3.0},
            "transmitter": {"bus": "devise"},
        },
    )
    file = settings.write(tmp_path, settings.tcp_bus(502), wrong)
    done = dustcake(command, file)
    assert done.code == 2
    assert not done.out
    for setting, value in (
        ("collector[hall-1].cleaning.high", "4 bananas"),
        ("collector[hall-1].cleaning.on_delay", "unknown setting"),
        ("collector[hall-1].pulsing.on_time_s", "3.0"),
        ("collector[hall-1].transmitter.bus", "devise"),
    ):
        (line,) = [each for each in done.err.splitlines() if each.startswith(f"{setting}:")]
        assert value in line
    assert done.err.count("remedy:") == 4
    assert 'did you mean "device"' in done.err

    as_json = dustcake("check", "--json", file).lines
    assert as_json[0] == {"file": str(file), "valid": False, "problems": 4}
    assert all(set(line) == {"setting", "value", "allowed", "remedy"} for line in as_json[1:])


def test_check_says_what_it_understood_and_touches_nothing(
    dustcake: Dustcake, tmp_path: Path
) -> None:
    file = file_for(tmp_path)
    done = dustcake("check", file)
    assert done.code == 0
    assert "starts at 1000 Pa" in done.out
    assert "stops at 750 Pa" in done.out
    assert "no stop contact" in done.out
    assert files(tmp_path) == ["settings.toml"]
    lines = dustcake("check", "--json", file).lines
    assert lines[0]["valid"] is True
    assert all({"subject", "caution", "text"} == set(line) for line in lines[1:])


def test_the_schema_takes_a_good_file_and_refuses_a_bad_one(
    dustcake: Dustcake, tmp_path: Path
) -> None:
    output = tmp_path / "schema.json"
    done = dustcake("schema", "--output", output)
    assert done.code == 0
    assert dustcake("schema").out == output.read_text(encoding="utf-8")
    schema = json.loads(output.read_text(encoding="utf-8"))
    good = tomllib.loads(file_for(tmp_path).read_text(encoding="utf-8"))
    jsonschema.validate(good, schema)
    good["collector"][0]["pulsing"]["on_time_s"] = 3.0
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(good, schema)
    refused = dustcake("schema", "--output", tmp_path / "no" / "schema.json")
    assert refused.code == 2
    assert "name a file this user may write" in refused.err


@pytest.mark.parametrize("command", [["status"], ["request", "zero"], ["request", "mode", "off"]])
def test_no_daemon_is_code_3(dustcake: Dustcake, tmp_path: Path, command: list[str]) -> None:
    file = file_for(tmp_path)
    done = dustcake(*command, "--settings", file)
    assert done.code == 3
    assert f"no daemon answers at {tmp_path / 'control.sock'}" in done.err
    assert "Start one with `dustcake run`" in done.err


def test_replay_names_bad_rows_and_gives_json(dustcake: Dustcake, tmp_path: Path) -> None:
    file = file_for(tmp_path)
    trace = tmp_path / "trace.csv"
    rows = "".join(f"{t},{900 if t < 20 else 1100}\n" for t in range(60))
    trace.write_text(f"time,dp_pa\n{rows}", encoding="utf-8")
    done = dustcake("replay", trace, "--settings", file, "--json")
    assert done.code == 0, done.err
    names = [line["event"] for line in done.lines]
    assert names[-1] == "summary"
    assert "cleaning_started" in names
    assert done.lines[-1]["samples"] == 60

    trace.write_text(f"time,dp_pa\n{rows}60,often\n", encoding="utf-8")
    bad = dustcake("replay", trace, "--settings", file)
    assert bad.code == 2
    assert "line 62" in bad.err
    missing = dustcake("replay", tmp_path / "none.csv", "--settings", file)
    assert missing.code == 2
    assert "none.csv" in missing.err


@pytest.mark.parametrize("every", ["0", "often", "nan"])
def test_how_often_a_status_is_shown_is_bounded(
    dustcake: Dustcake, tmp_path: Path, every: str
) -> None:
    done = dustcake("status", "--settings", file_for(tmp_path), "--watch", every)
    assert done.code == 2
    assert "give a number of seconds (from 0.2, up to 3600)" in done.err


@pytest.mark.parametrize(
    ("text", "length_s"),
    [
        *(("90min", 5400.0), ("5m", 300.0), ("12h", 43_200.0), ("2d", 172_800.0), ("45 s", 45.0)),
        *(("1h30m", 5400.0), ("1h 30min", 5400.0), ("1.5h", 5400.0), ("1d12h", 129_600.0)),
        *((each, None) for each in ("", "5", "m", "h30", "1h30", "-5m", "5 weeks", "1e3s")),
    ],
)
def test_lengths_of_time(text: str, length_s: float | None) -> None:
    assert common.seconds_in(text) == length_s


def test_the_length_of_a_shelving_is_sent_in_seconds(
    dustcake: Dustcake, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    sent = answered(monkeypatch, {"accepted": True, "reason": "done"})
    shelve = ("shelve", "high_dp", "--for", "1h30m", "--why", "duct open")
    assert dustcake("request", "--settings", file_for(tmp_path), *shelve).code == 0
    assert sent[0]["for_s"] == 5400.0
    refused = dustcake("request", *shelve[:3], "soon", "--why", "x")
    assert refused.code == 2
    assert "'soon' is no length of time: write 30min, 8h or 1h30m" in refused.err


@pytest.mark.parametrize("options", [[], ["--collector", "hall-1"]])
def test_a_change_is_confirmed_by_the_command_line_that_was_printed(
    dustcake: Dustcake, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, options: list[str]
) -> None:
    directory = tmp_path / "with spaces"
    directory.mkdir()
    answer = {"accepted": True, "reason": "confirm it", "reason_code": "confirm_change"}
    sent = answered(monkeypatch, {**answer, "change": 79})
    change = ("set_points", "--high", "900 Pa")
    out = dustcake("request", "--settings", file_for(directory), *options, *change).out
    _, *printed = shlex.split(out.partition("to confirm: ")[2])
    assert dustcake(*printed).code == 0
    first, second = sent
    assert (second["request"], second["change"]) == ("confirm", 79)
    assert first.get("collector") == second.get("collector")


def answered(monkeypatch: pytest.MonkeyPatch, answer: dict[str, Any]) -> list[dict[str, Any]]:
    """A daemon that always gives this answer; what it was sent."""
    sent: list[dict[str, Any]] = []

    def ask(_path: Path, line: bytes) -> bytes:
        sent.append(json.loads(line))
        return json.dumps(answer).encode()

    monkeypatch.setattr("dustcake.adapters.local_client.ask", ask)
    return sent
