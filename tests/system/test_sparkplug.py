"""The whole daemon as a Sparkplug B edge node, heard through a real broker by a host application
that knows only what it is told."""

import json
import time
from pathlib import Path
from typing import Any

import pytest

from publish.sparkplug.independent import command, parsed, value_of
from system_support import settings
from system_support.broker import Broker, Subscriber, until
from system_support.device import device, scenario
from system_support.processes import Daemons, dustcake

pytestmark = pytest.mark.broker

GROUP, NODE, DEVICE = "works", "hall", "hall-1"
REBIRTH: dict[str | int, Any] = {"Node Control/Rebirth": True}


def topic(kind: str, of: str = "") -> str:
    return f"spBv1.0/{GROUP}/{kind}/{NODE}{of}"


class HostApplication:
    """What the messages so far say."""

    def __init__(self, subscriber: Subscriber) -> None:
        self._subscriber = subscriber

    def kinds(self) -> list[str]:
        return [where.split("/")[2] for where, _ in self._messages()]

    def _messages(self) -> list[tuple[str, Any]]:
        heard = (line.split("\t") for line in self._subscriber.lines)
        return [(where, parsed(bytes.fromhex(data))) for where, data in heard if "CMD" not in where]

    def values(self, of: str = f"/{DEVICE}") -> dict[str, Any]:
        """The newest value of every metric."""
        names: dict[int, str] = {}
        values: dict[str, Any] = {}
        for where, payload in self._messages():
            if where not in (topic(kind, of) for kind in ("NBIRTH", "NDATA", "DBIRTH", "DDATA")):
                continue
            for metric in payload.metrics:
                if metric.HasField("name"):
                    names[metric.alias] = metric.name
                if not metric.is_historical:
                    values[names[metric.alias]] = value_of(metric)
        return values


async def test_a_collector_as_a_device(tmp_path: Path, broker: Broker, daemons: Daemons) -> None:
    sparkplug = {
        "host": "127.0.0.1",
        "port": broker.port,
        "group": GROUP,
        "node": NODE,
        "commands_enabled": True,
        "commands_adjust": True,
        "dp_deadband": "5 Pa",
    }
    listening = broker.subscriber(f"spBv1.0/{GROUP}/#", line_format="%t\t%x")
    async with device(scenario(0.1)) as plant, listening as sub:
        host = HostApplication(sub)
        bus = settings.tcp_bus(plant.port)
        path = settings.write(tmp_path, bus, settings.collector(), sparkplug=sparkplug)
        daemon = await daemons.start(path)
        await until(lambda: "DBIRTH" in host.kinds(), "the births")
        assert host.kinds()[0] == "NBIRTH"
        answers = "Collectors/hall-1/Transmitter answers"
        await until(lambda: host.values("")[answers] in (True, None), "the node to say the same")
        await until(lambda: bool(host.values().get("dP")), "a reading")
        assert host.values()["Mode"] == "on_demand"

        # A command becomes a request; what it changed and the answer come back as data.
        now_ms = round(time.time() * 1000)
        await send(broker, tmp_path, topic("DCMD", f"/{DEVICE}"), now_ms, {"Commands/Mode": "off"})
        await until(lambda: host.values().get("Mode") == "off", "the other mode")
        await until(lambda: "accepted" in str(host.values().get("Commands/Answer")), "the answer")
        events = (await dustcake("history", "--settings", path, "--json")).lines
        assert any(each.get("by") == "sparkplug" for each in events)

        # A set point in two steps, as in plain mode, by JSON in a metric.
        def answer() -> dict[str, Any]:
            told: dict[str, Any] = json.loads(host.values().get("Commands/Answer") or "{}")
            return told

        dcmd = topic("DCMD", f"/{DEVICE}")
        asked = {"id": "s1", "request": "set_points", "high_pa": 1100, "by": "desk"}
        await send(broker, tmp_path, dcmd, now_ms, {"Commands/Request": json.dumps(asked)})
        await until(lambda: answer().get("id") == "s1", "what would change")
        assert answer()["reason_code"] == "confirm_change"
        confirm = {"id": "s2", "request": "confirm", "by": "desk", "change": answer()["change"]}
        await send(broker, tmp_path, dcmd, now_ms, {"Commands/Request": json.dumps(confirm)})
        await until(lambda: host.values().get("Set points/High") == 1100.0, "the change")
        await until(lambda: answer().get("reason_code") == "done", "the answer")
        nameless = {"id": "s3", "request": "set_points", "high_pa": 1050}
        await send(broker, tmp_path, dcmd, now_ms, {"Commands/Request": json.dumps(nameless)})
        await until(lambda: answer().get("reason_code") == "not_named", "the refusal")

        # Old news do nothing, and are told in the log.
        earlier_ms = now_ms - 3_600_000
        await send(broker, tmp_path, dcmd, earlier_ms, {"Commands/Mode": "timed"})
        await until(lambda: bool(daemon.logged("message dropped")), "the refusal")
        await until(lambda: answer().get("reason_code") == "too_old", "the answer")
        assert host.values()["Mode"] == "off"

        # The transmitter goes and comes back.
        await plant.go()
        await until(lambda: "DDEATH" in host.kinds(), "its death")
        await until(
            lambda: host.values("").get("Collectors/hall-1/Transmitter answers") is False,
            "the node to say so",
        )
        births = host.kinds().count("DBIRTH")
        await plant.come_back()
        await until(lambda: host.kinds().count("DBIRTH") > births, "its birth")

        await send(broker, tmp_path, topic("NCMD"), now_ms, REBIRTH)
        await until(lambda: host.kinds().count("NBIRTH") == 2, "the rebirth")
        assert (await daemon.status())["sparkplug"]["connected"] is True
        assert await daemon.terminate() == 0
        await until(lambda: host.kinds()[-1] == "NDEATH", "the death of the node")
        assert host.kinds().count("NDEATH") == 1


async def send(
    broker: Broker, folder: Path, where: str, at_ms: int, metrics: dict[str | int, Any]
) -> None:
    path = folder / "command"
    path.write_bytes(command(at_ms, metrics))
    await broker.publish_file(where, path)
