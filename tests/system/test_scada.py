"""What a SCADA engineer does with mosquitto's command-line clients alone, as config/README.md has
it, at the broker of deploy/mosquitto: with its access rules, its users and TLS."""

import asyncio
import json
import shlex
import subprocess
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from system_support import settings
from system_support.broker import PATIENCE_S, Broker, program, until
from system_support.device import device, scenario
from system_support.example_broker import USERS, Example, example_running
from system_support.processes import Daemon, Daemons, dustcake

pytestmark = pytest.mark.broker

CLEAN = scenario(0.1)
CONFIG_README = Path(__file__).parents[2] / "config" / "README.md"
# dP is above the limit of the alarm all the time.
HIGH = {
    "alarms": {
        "low": "10 Pa",
        "replacement": "450 Pa",
        "high": "500 Pa",
        "override": {"high_dp": {"on_delay_s": 0.0}},
    },
    "cleaning": {"mode": "off", "low": "300 Pa", "high": "400 Pa"},
}


@asynccontextmanager
async def plant(
    folder: Path, daemons: Daemons, **mqtt: Any
) -> AsyncIterator[tuple[Example, Daemon, Path]]:
    """One collector at the example broker, with a user of its own."""
    async with example_running(folder / "broker") as example, device(CLEAN) as there:
        link = {
            "host": "localhost",
            "port": example.broker.port,
            "username": "{collector}",
            "password_file": str(example.folder / "{collector}.password"),
            "tls": {"ca_file": str(example.certificates.ca)},
            "requests_enabled": True,
            "requests_adjust": True,
            "names_checked": True,
            **mqtt,
        }
        table = settings.merged(settings.collector("welding-1"), HIGH)
        file = settings.write(folder, settings.tcp_bus(there.port), table, mqtt=link)
        daemon = await daemons.start(file)
        await until(lambda: bool(daemon.logged("broker connected")), "the broker to be reached")
        yield example, daemon, file


def written_in(folder: Path) -> bytes:
    """All that is in the files there: settings, journal and its log."""
    return b"".join(each.read_bytes() for each in folder.iterdir() if each.is_file())


class Console:
    """A user at a terminal: publishes, and sees the replies."""

    def __init__(self, example: Example, user: str) -> None:
        self._example = example
        self._user = user
        self._asked = 0

    async def asks(self, level: str, request: str, *options: str, **fields: Any) -> dict[str, Any]:
        """Publish a request and return the reply to it. Without options it expires in 20 s."""
        self._asked += 1
        body = {"id": f"{self._user}-{self._asked}", "request": request, **fields}
        holds = options or ("-D", "publish", "message-expiry-interval", "20")
        listening = await asyncio.create_subprocess_exec(
            # Line by line: that it has subscribed must be seen before the request is sent.
            *("stdbuf", "-oL", program("mosquitto_sub")),
            *self._example.as_user(self._user),
            *("-t", f"dustcake/+/reply/{self._user}", "-C", "1", "-W", "15", "-d"),
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
        )
        assert listening.stdout is not None
        async with asyncio.timeout(PATIENCE_S):
            while b"Subscribed" not in (line := await listening.stdout.readline()):
                assert line, "mosquitto_sub has ended"
            topic = f"dustcake/welding-1/request/{level}/{self._user}"
            said = await self._example.run_client(
                "mosquitto_pub", self._user, "-q", "1", "-t", topic, "-m", json.dumps(body), *holds
            )
            assert said == "", said
            heard, _ = await listening.communicate()
        (reply,) = [line for line in heard.decode().splitlines() if line.startswith("{")]
        told: dict[str, Any] = json.loads(reply)
        assert told["id"] == body["id"]
        return told


async def answers(file: Path) -> list[dict[str, Any]]:
    told = await dustcake("history", "--settings", file, "--kind", "request_answered", "--json")
    return told.lines


async def test_an_alarm_is_acknowledged_and_a_set_point_changed(
    tmp_path: Path, daemons: Daemons
) -> None:
    async with plant(tmp_path, daemons) as (example, daemon, file):
        operator, scada = Console(example, "operator"), Console(example, "scada")
        await daemon.status_when(
            lambda s: any(a["state"] == "unacknowledged" for a in s["alarm_details"]),
            "the alarm",
            "welding-1",
        )
        told = await operator.asks("acknowledge", "acknowledge", alarm="high_dp")
        assert (told["accepted"], told["reason"]) == (True, "done")
        # By its time of day instead, as over MQTT 3.1.1.
        now = datetime.now(UTC).isoformat()
        told = await operator.asks("acknowledge", "unshelve", "-q", "1", alarm="high_dp", utc=now)
        assert told["reason_code"] == "not_shelved"
        told = await operator.asks("acknowledge", "mode", mode="timed")
        assert told["reason_code"] == "level_too_low"
        assert told["reason"].endswith("dustcake/welding-1/request/adjust/+ only")

        told = await scada.asks("adjust", "set_points", high_pa=420)
        assert (told["accepted"], told["reason_code"]) == (True, "confirm_change")
        (point,) = told["points"]
        assert (point["before"]["value"], point["after"]["value"]) == (400.0, 420.0)
        before = await daemon.status("welding-1")
        assert before["set_points"]["high"]["value"] == 400.0
        told = await scada.asks("adjust", "confirm", change=told["change"])
        assert (told["accepted"], told["reason"]) == (True, "done")
        after = await daemon.status("welding-1")
        assert after["set_points"]["high"]["value"] == 420.0
        assert after["set_points_by_request"][0]["by"] == "mqtt:scada"

        on_record = [
            (each["request"], each["by"], each["identity"], each["accepted"])
            for each in await answers(file)
        ]
        assert on_record == [
            ("acknowledge", "mqtt:operator", "authenticated", True),
            ("unshelve", "mqtt:operator", "authenticated", False),
            ("mode", "mqtt:operator", "authenticated", False),
            ("set_points", "mqtt:scada", "authenticated", True),
            ("confirm", "mqtt:scada", "authenticated", True),
        ]
        words = await dustcake("history", "--settings", file, "--kind", "request_answered")
        assert "request set points by mqtt:scada accepted (change" in words.out
        assert "(name as given)" not in words.out

        # The password is where it was put, and nowhere else.
        secret = USERS["welding-1"]
        asked: list[tuple[object, ...]] = [("check", file)]
        asked += [(each, "--settings", file) for each in ("status", "history")]
        for one in asked:
            said = await dustcake(*one, "--json")
            assert said.code == 0
            assert secret not in said.out + said.err
        assert secret not in daemon.log
        assert secret.encode() not in written_in(tmp_path)


async def test_stale_retained_nameless_and_too_many_requests_are_refused_and_on_record(
    tmp_path: Path, daemons: Daemons
) -> None:
    mqtt = {"names_checked": False, "requests_per_minute": 6, "request_expiry_s": 15}
    async with plant(tmp_path, daemons, **mqtt) as (example, daemon, file):
        scada = Console(example, "scada")
        off = {"level": "adjust", "request": "mode", "mode": "off"}

        async def refused(*options: str, **fields: Any) -> str:
            told = await scada.asks(*(off["level"], off["request"]), *options, **fields)
            assert told["accepted"] is False
            return str(told["reason_code"])

        assert await refused("-q", "1", mode="off") == "age_not_told"
        assert await refused(mode="off") == "holds_too_long"
        assert await refused("-q", "1", mode="off", utc="2020-01-01T00:00:00Z") == "too_old"
        assert await refused("-q", "1", mode="off", utc="2190-01-01T00:00:00Z") == "from_the_future"
        holds = ("-D", "publish", "message-expiry-interval", "15")
        assert await refused("-r", *holds, mode="off") == "retained"
        assert await refused(*holds, mode="faster") == "not_understood"

        many = [
            ("-t", "dustcake/welding-1/request/adjust/scada", "-m", json.dumps({"id": "x"}), *holds)
        ] * 4
        for one in many:
            assert await example.run_client("mosquitto_pub", "scada", *one) == ""
        on_record = [each["reason_code"] for each in await answers(file)]
        codes = ["age_not_told", "holds_too_long", "too_old", "from_the_future"]
        assert on_record[:6] == [*codes, "retained", "not_understood"]
        assert on_record.count("too_many") == 1, "a flood does not fill the journal"
        assert {each["identity"] for each in await answers(file)} == {"claimed"}
        assert (await daemon.status("welding-1"))["mode"] == "off"


async def test_a_change_waits_for_its_asker_and_not_for_anybody(
    tmp_path: Path, daemons: Daemons
) -> None:
    """Somebody else's confirmation does not count, a kill lets the change lapse, and what was done
    once is not done again by the same request after that."""
    async with plant(tmp_path, daemons) as (example, first, file):
        scada, daemon = Console(example, "scada"), first
        told = await scada.asks("adjust", "set_points", high_pa=420)
        other = await daemon.request("confirm", str(told["change"]), "--json")
        assert json.loads(other.out)["reason"].endswith("which was mqtt:scada")
        daemon.kill()
        daemon = await daemons.start(file)
        await until(lambda: bool(daemon.logged("broker connected")), "the broker to be reached")
        late = await scada.asks("adjust", "confirm", change=told["change"])
        assert late["reason_code"] == "no_such_change"
        lapsed = await dustcake("history", "--settings", file, "--kind", "change_lapsed", "--json")
        assert [each["reason_code"] for each in lapsed.lines] == ["restarted"]

        done = await scada.asks("adjust", "mode", mode="timed")
        await scada.asks("adjust", "mode", mode="off")
        daemon.kill()
        daemon = await daemons.start(file)
        await until(lambda: bool(daemon.logged("broker connected")), "the broker to be reached")
        scada._asked = 2
        again = await scada.asks("adjust", "mode", mode="timed")
        assert {**again, "seq": 0, "utc": ""} == {**done, "seq": 0, "utc": ""}
        assert (await daemon.status("welding-1"))["mode"] == "off"


def readme_commands() -> list[list[str]]:
    """The commands of the chapter on requests, as a shell would part them."""
    chapter = CONFIG_README.read_text(encoding="utf-8").partition("### Requests over MQTT")[2]
    block = chapter.partition("```sh\n")[2].partition("```")[0].replace("\\\n", " ")
    return [shlex.split(line) for line in block.splitlines() if not line.startswith("#")]


async def test_the_commands_of_the_readme_do_what_it_says(
    tmp_path: Path, broker: Broker, daemons: Daemons
) -> None:
    listening, acknowledge, ask, confirm = readme_commands()
    mqtt = settings.mqtt(broker.port, requests_enabled=True, requests_adjust=True)
    async with device(CLEAN) as there:
        table = settings.collector("grinding-1")
        file = settings.write(tmp_path, settings.tcp_bus(there.port), table, mqtt=mqtt)
        daemon = await daemons.start(file)
        await until(lambda: bool(daemon.logged("broker connected")), "the broker to be reached")
        assert listening[:4] == ["mosquitto_sub", "-V", "5", "-t"]
        async with broker.subscriber(listening[4]) as kim:

            async def publish(command: list[str], change: int = 0) -> dict[str, Any]:
                before = len(kim.lines)
                said = [word.replace("4711", str(change)) for word in command[1:]]
                process = await asyncio.create_subprocess_exec(
                    program(command[0]), "-p", str(broker.port), *said
                )
                assert await process.wait() == 0
                await until(lambda: len(kim.lines) > before, "the reply")
                told: dict[str, Any] = json.loads(kim.lines[-1])
                return told

            told = await publish(acknowledge)
            assert told["reason_code"] == "nothing_to_acknowledge", "it is not active"
            held = await publish(ask)
            assert [each["set_point"] for each in held["points"]] == ["high_pa"]
            done = await publish(confirm, held["change"])
            assert (done["accepted"], done["reason"]) == (True, "done")
        status = await daemon.status("grinding-1")
        assert status["set_points"]["high"]["value"] == 1050.0
