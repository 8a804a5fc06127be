"""Set points changed from the command line, kept by a kill, and given back to the file."""

import getpass
import json
from pathlib import Path
from typing import Any

from system_support import settings
from system_support.device import device, scenario
from system_support.processes import Daemon, Daemons, dustcake

CLEAN = scenario(0.1)
WHO = f"local:{getpass.getuser()}"


async def asked(daemon: Daemon, *words: str) -> dict[str, Any]:
    answer = await daemon.request(*words, "--json")
    told: dict[str, Any] = json.loads(answer.out)
    assert answer.code == (0 if told["accepted"] else 1)
    return told


def in_force(status: dict[str, Any]) -> tuple[float, float]:
    return status["set_points"]["high"]["value"], status["interval"]["value"]


async def test_changed_confirmed_kept_by_a_kill_and_given_back_to_the_file(
    tmp_path: Path, daemons: Daemons
) -> None:
    async with device(CLEAN) as plant:
        bus, table = settings.tcp_bus(plant.port), settings.collector()
        file = settings.write(tmp_path, bus, table)
        daemon = await daemons.start(file)
        status = await daemon.status_when(lambda _: True, "an answer")
        assert in_force(status) == (1000.0, 1.0)

        words = await daemon.request("set_points", "--high", "1096Pa", "--interval", "1.5")
        assert words.code == 0, words.err
        change = words.out.rpartition(" ")[2].strip()
        assert words.out.splitlines() == [
            "accepted: nothing is changed yet: confirm it within 1 min",
            "  high 1000 Pa -> 1096 Pa",
            "  interval 1 s -> 1.5 s",
            f"  to confirm: dustcake request --settings {file} confirm {change}",
        ]
        waiting = (await dustcake("status", "--settings", file)).out
        assert f"change {change} waits for {WHO} to confirm it: high 1000 Pa -> 1096 Pa" in waiting
        as_printed = words.out.rpartition("dustcake ")[2].split()
        assert (await dustcake(*as_printed)).out.splitlines() == [
            "accepted: done",
            "  high 1000 Pa -> 1096 Pa",
            "  interval 1 s -> 1.5 s",
        ]
        assert (await asked(daemon, "confirm", change))["reason_code"] == "no_such_change"

        wrong = await daemon.request("set_points", "--low", "3")
        assert wrong.code == 2
        assert 'write "3 inH2O"' in wrong.err

        daemon.kill()
        daemon = await daemons.start(file)
        status = await daemon.status_when(lambda _: True, "an answer")
        assert in_force(status) == (1096.0, 1.5)
        assert [(p["set_point"], p["by"]) for p in status["set_points_by_request"]] == [
            ("high_pa", WHO),
            ("interval_s", WHO),
        ]

        await daemon.terminate()
        edited = settings.merged(table, {"cleaning": {"high": "1050 Pa"}, "edited_by": "office"})
        file = settings.write(tmp_path, bus, edited)
        daemon = await daemons.start(file)
        status = await daemon.status_when(lambda _: True, "an answer")
        assert in_force(status) == (1050.0, 1.5)

        book = (await dustcake("history", "--settings", file, "--log")).out
        assert f"setting changed by {WHO}: cleaning high: 1000 Pa -> 1096 Pa" in book
        assert "setting changed by office: cleaning high: 1096 Pa -> 1050 Pa" in book
