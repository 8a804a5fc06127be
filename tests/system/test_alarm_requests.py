"""Alarms handled and the log book written from the command line and over MQTT, kept by a kill."""

import getpass
from pathlib import Path
from typing import Any

import pytest

from system_support import settings
from system_support.device import device, scenario
from system_support.processes import Daemon, Daemons, dustcake

CLEAN = scenario(0.1)
USER = getpass.getuser()
# dP is above the limit of the alarm all the time.
HIGH = {
    "alarms": {
        "low": "10 Pa",
        "replacement": "450 Pa",
        "high": "500 Pa",
        "override": {"high_dp": {"on_delay_s": 0.0, "latching": True}},
    },
    "cleaning": {"mode": "off", "low": "300 Pa", "high": "400 Pa"},
    "upkeep": [
        {"name": "snubber", "text": "Blow it back", "every_days": 0.00001},
        {"name": "drum", "text": "Look into it", "every_run_h": 40.0},
    ],
}


def detail(status: dict[str, Any], name: str = "high_dp") -> dict[str, Any]:
    return next((a for a in status["alarm_details"] if a["alarm"] == name), {})


def is_now(state: str) -> Any:
    return lambda status: detail(status).get("state") == state


async def refused(daemon: Daemon, *words: str) -> str:
    answer = await daemon.request(*words)
    assert answer.code == 1
    return answer.out


async def accepted(daemon: Daemon, *words: str) -> None:
    answer = await daemon.request(*words)
    assert (answer.code, answer.out.strip()) == (0, "accepted: done"), answer.err


async def test_handled_by_hand_kept_by_a_kill_and_on_record(
    tmp_path: Path, daemons: Daemons
) -> None:
    async with device(CLEAN) as plant:
        table = settings.merged(settings.collector(), HIGH)
        file = settings.write(tmp_path, settings.tcp_bus(plant.port), table)
        daemon = await daemons.start(file)
        await daemon.status_when(is_now("unacknowledged"), "the alarm")
        assert "is not latched" in await refused(daemon, "reset", "high_dp")
        await accepted(daemon, "shelve", "high_dp", "--for", "8h", "--why", "duct open")
        assert "8 h at most" in await refused(
            daemon, "shelve", "high_dp", "--for", "9h", "--why", "too long"
        )
        daemon.kill()
        daemon = await daemons.start(file)
        status = await daemon.status_when(is_now("shelved"), "kept")
        shelved = detail(status)
        assert (shelved["by"], shelved["why"]) == (f"local:{USER}", "duct open")
        assert shelved["active"]
        assert shelved["shelved_until"]
        await daemon.status_when(lambda s: any(u["due"] for u in s["upkeep"]), "due upkeep")
        words = (await dustcake("status", "--settings", file)).out
        assert f"shelved: dP high: shelved by local:{USER}: duct open, until 20" in words
        assert "upkeep due: snubber: Blow it back" in words
        await accepted(daemon, "unshelve", "high_dp")
        await daemon.status_when(is_now("unacknowledged"), "back in view")
        await accepted(daemon, "out_of_service", "high_dp", "--why", "sensor away")
        await accepted(daemon, "in_service", "high_dp")
        await accepted(daemon, "filter_change", "--valves", "2", "--note", "spare set")
        await accepted(daemon, "record", "upkeep_done", "--upkeep", "snubber")
        await accepted(daemon, "record", "note", "--note", "trial over")
        assert "no upkeep called 'x'" in await refused(
            daemon, "record", "upkeep_done", "--upkeep", "x"
        )
        log = (await dustcake("history", "--settings", file, "--log", "--json")).lines
        written = [entry for entry in log if entry["event"] not in ("started", "upkeep_due")]
        assert [(e["event"], e["note"], e["by"]) for e in written] == [
            ("filters_changed", "spare set", f"local:{USER}"),
            ("log_entry", "", f"local:{USER}"),
            ("log_entry", "trial over", f"local:{USER}"),
        ]
        alarms = (await dustcake("history", "--settings", file, "--alarms", "--json")).lines
        states = [a["state"] for a in alarms if a.get("alarm") == "high_dp"]
        assert states == [
            "unacknowledged",
            "shelved",
            "normal",
            "unacknowledged",
            "out_of_service",
            "normal",
            "unacknowledged",
        ]
        assert alarms[-1]["event"] == "alarm_metrics"
        assert alarms[-1]["raised"] >= 3


async def test_a_set_point_changed_while_it_was_down_is_in_the_log_book(
    tmp_path: Path, daemons: Daemons
) -> None:
    async with device(CLEAN) as plant:
        bus = settings.tcp_bus(plant.port)
        first = await daemons.start(settings.write(tmp_path, bus, settings.collector()))
        assert await first.terminate() == 0
        edited = {"cleaning": {"high": "1050 Pa"}, "edited_by": "night shift"}
        table = settings.merged(settings.collector(), edited)
        file = settings.write(tmp_path, bus, table)
        await daemons.start(file)
        log = (await dustcake("history", "--settings", file, "--log", "--json")).lines
        (changed,) = [each for each in log if each["event"] == "setting_changed"]
        assert changed["setting"] == "cleaning.high_pa"
        assert (changed["before"], changed["after"]) == ("1000.0", "1050.0")
        assert changed["by"] == "night shift"
        assert changed["change"].startswith("cleaning high: ")


@pytest.mark.parametrize(
    "arguments",
    [
        ["shelve", "high_dp", "--why", "no time given"],
        ["shelve", "high_dp", "--for", "long", "--why", "x"],
        ["shelve", "high_dp", "--for", "1h"],
        ["out_of_service", "high_dp"],
        ["shelve", "coffee_cold", "--for", "1h", "--why", "x"],
        ["record", "party"],
    ],
)
async def test_bad_usage_is_code_2(tmp_path: Path, arguments: list[str]) -> None:
    done = await dustcake("request", *arguments)
    assert done.code == 2
    assert "usage: dustcake request" in done.err
