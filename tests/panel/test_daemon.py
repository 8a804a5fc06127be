"""The panel of a whole daemon, without a browser: settings, users, TLS, and what goes wrong."""

import asyncio
import json
import os
import socket
import ssl
import subprocess
from pathlib import Path
from typing import Any

import httpx2
import pytest

from panel.conftest import PASSWORD, installation
from system_support import settings
from system_support.broker import free_port, until
from system_support.device import device, scenario
from system_support.processes import Daemons, dustcake


async def test_a_user_is_added_signs_in_and_asks(tmp_path: Path, daemons: Daemons) -> None:
    async with (
        installation(tmp_path, daemons) as here,
        httpx2.AsyncClient(base_url=here.url, timeout=20) as client,
    ):
        added = await dustcake(
            *("users", "--settings", here.settings, "add", "sam", "--level", "acknowledge"),
            input_text="what sam knows\n",
        )
        assert (added.code, added.out) == (0, "sam: acknowledge\n")
        listed = await dustcake("users", "--settings", here.settings, "list")
        assert listed.out.splitlines() == [
            "ann: acknowledge",
            "kim: adjust",
            "sam: acknowledge",
            "vic: view",
        ]
        signed_in = await client.post(
            "/api/sign-in", json={"user": "sam", "password": "what sam knows"}
        )
        assert signed_in.status_code == 200
        headers = {"x-dustcake-token": (await client.get("/api/who")).json()["token"]}
        note = {
            "collector": "hall-1",
            "request": "record",
            "entry": "note",
            "note": "belt looked at",
        }
        answer = (await client.post("/api/request", json=note, headers=headers)).json()
        assert answer["accepted"], answer
        book = (await client.get("/api/log-book")).json()
        assert book[0]["text"] == "note by panel:sam: belt looked at"
        refused = {"collector": "hall-1", "request": "acknowledge", "alarm": "smoke"}
        answer = (await client.post("/api/request", json=refused, headers=headers)).json()
        assert not answer["accepted"], "there is nothing to acknowledge"
        strange = {"collector": "hall-1", "request": "record", "entry": "note", "note": "x", "z": 1}
        answer = (await client.post("/api/request", json=strange, headers=headers)).json()
        assert answer["reason_code"] == "not_understood"
        too_much = {"collector": "hall-1", "request": "set_points", "high_pa": 1050}
        refusal = await client.post("/api/request", json=too_much, headers=headers)
        assert refusal.status_code == 403
        gone = await dustcake("users", "--settings", here.settings, "remove", "sam")
        assert gone.code == 0
        assert (await client.get("/api/who")).json()["user"] is None
        logged = [line["event"] for line in here.daemon.log_lines]
        assert "panel signed in" in logged
        assert "what sam knows" not in here.daemon.log


async def test_a_set_point_is_changed_in_two_steps_and_shown_beside_the_settings(
    tmp_path: Path, daemons: Daemons
) -> None:
    async with (
        installation(tmp_path, daemons) as here,
        httpx2.AsyncClient(base_url=here.url, timeout=20) as client,
    ):
        await client.post("/api/sign-in", json={"user": "kim", "password": PASSWORD})
        headers = {"x-dustcake-token": (await client.get("/api/who")).json()["token"]}

        async def ask(**fields: Any) -> dict[str, Any]:
            asked = {"collector": "hall-1", **fields}
            told: dict[str, Any] = (
                await client.post("/api/request", json=asked, headers=headers)
            ).json()
            return told

        held = await ask(request="set_points", high_pa=1050)
        assert held["reason_code"] == "confirm_change"
        assert held["points"][0]["before"]["value"] == 1000.0
        assert (await ask(request="confirm", change=held["change"]))["accepted"]
        first = (await client.get("/api/settings")).json()[0]
        assert first["subject"] == "in force"
        assert first["text"].startswith("high 1050 Pa, by request of panel:kim (20")
        book = (await client.get("/api/log-book")).json()
        change = "cleaning high: 1000 Pa -> 1050 Pa"
        assert book[0]["text"] == f"setting changed by panel:kim: {change}"


async def test_the_panel_tells_what_the_daemon_knows(tmp_path: Path, daemons: Daemons) -> None:
    async with (
        installation(tmp_path, daemons, 0.6) as here,
        httpx2.AsyncClient(base_url=here.url, timeout=10) as client,
    ):
        async with client.stream("GET", "/api/live?unit=inH2O") as stream:
            lines = stream.aiter_lines()
            status: dict[str, object] = {}
            async with asyncio.timeout(20):
                while not any(v["last_pulse"] for v in status.get("valves", [])):  # type: ignore[attr-defined]
                    line = await anext(lines)
                    if line.startswith("data: "):
                        status |= json.loads(line.removeprefix("data: "))
        assert "inH2O" in str(status["reason"])
        assert status["phase"] == "cleaning"
        told = (await client.get("/api/settings")).json()
        assert any(each["subject"] == "panel" for each in told)
        assert (
            (await client.get("/api/trend.svg?length=1y"))
            .headers["content-type"]
            .startswith("image/svg")
        )


def self_signed(cert: Path, key: Path) -> None:
    subprocess.run(
        [
            *("openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256"),
            *("-nodes", "-days", "2", "-subj", "/CN=localhost"),
            *("-addext", "subjectAltName=DNS:localhost", "-keyout", key, "-out", cert),
        ],
        check=True,
        capture_output=True,
    )


async def test_over_tls_and_beyond_the_machine_only_with_a_password(
    tmp_path: Path, daemons: Daemons
) -> None:
    cert, key = tmp_path / "cert.pem", tmp_path / "key.pem"
    self_signed(cert, key)
    tls = {"cert_file": str(cert), "key_file": str(key)}
    async with installation(tmp_path, daemons, panel={"host": "0.0.0.0", "tls": tls}) as here:
        url = here.url.replace("http://127.0.0.1", "https://localhost")
        trusted = ssl.create_default_context(cafile=str(cert))
        async with httpx2.AsyncClient(base_url=url, verify=trusted, timeout=20) as client:
            assert (await client.get("/")).status_code == 200
            assert (await client.get("/api/live")).status_code == 401
            signed_in = await client.post(
                "/api/sign-in", json={"user": "vic", "password": "a long password"}
            )
            assert signed_in.headers["set-cookie"].startswith("__Host-dustcake=")
            assert (await client.get("/api/trend.svg")).status_code == 200
        # A client that does not speak TLS harms nobody.
        with socket.create_connection(("127.0.0.1", int(here.url.rpartition(":")[2]))) as plain:
            plain.sendall(b"GET / HTTP/1.1\r\n\r\n")
            plain.settimeout(10)
            assert b"200 OK" not in plain.recv(100)
        assert await here.daemon.terminate() == 0


async def test_connections_that_ask_for_nothing_are_few_and_let_go(
    tmp_path: Path, daemons: Daemons
) -> None:
    async with installation(tmp_path, daemons) as here:
        port = int(here.url.rpartition(":")[2])
        idle = [await asyncio.open_connection("127.0.0.1", port) for _ in range(130)]

        async def ended(reader: asyncio.StreamReader) -> bool:
            try:
                return await reader.read(1) == b""
            except ConnectionError:
                return True

        ends = [asyncio.create_task(ended(reader)) for reader, _ in idle]
        await until(lambda: sum(end.done() for end in ends) >= 66, "those too many to go")
        assert sum(end.done() for end in ends) == 66
        assert (await here.daemon.status())["quality"] == "good"
        assert all(await asyncio.gather(*ends)), "the others have not asked in time"
        async with httpx2.AsyncClient(base_url=here.url, timeout=20) as client:
            assert (await client.get("/")).status_code == 200
        for _, writer in idle:
            writer.close()


async def test_a_port_that_is_taken_leaves_control_alone(tmp_path: Path, daemons: Daemons) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        async with installation(tmp_path, daemons, panel={"port": port}) as here:
            await until(lambda: bool(here.daemon.logged("panel cannot be served")), "the warning")
            told = here.daemon.logged("panel cannot be served")[0]
            assert f"127.0.0.1:{port}: Address already in use" in told["cause"]
            assert "panel.port" in told["remedy"]
            assert (await here.daemon.status())["quality"] == "good"
            assert await here.daemon.terminate() == 0


async def test_without_the_extra_it_is_told_and_control_goes_on(
    tmp_path: Path, daemons: Daemons, monkeypatch: pytest.MonkeyPatch
) -> None:
    hidden = tmp_path / "hidden"
    hidden.mkdir()
    # Where nothing but this is on the path, the libraries are not there.
    (hidden / "sitecustomize.py").write_text(
        "import importlib.util\n"
        "found = importlib.util.find_spec\n"
        "importlib.util.find_spec = lambda name, *rest: "
        "None if name in ('starlette', 'uvicorn') else found(name, *rest)\n"
    )
    monkeypatch.setenv("PYTHONPATH", f"{hidden}:{os.environ.get('PYTHONPATH', '')}")
    async with installation(tmp_path, daemons) as here:
        await until(lambda: bool(here.daemon.logged("panel cannot be served")), "the error")
        assert "extra `panel`" in here.daemon.logged("panel cannot be served")[0]["remedy"]
        assert (await here.daemon.status())["quality"] == "good"


async def test_users_needs_a_file_to_write_to(tmp_path: Path) -> None:
    async with device(scenario(0.1)) as plant:
        bus = settings.tcp_bus(plant.port)
        file = settings.write(tmp_path, bus, settings.collector(), panel={"port": free_port()})
    done = await dustcake("users", "--settings", file, "add", "sam", input_text="x\n")
    assert done.code == 2
    assert "panel.users_file is not given" in done.err
    short = tmp_path / "with.toml"
    short.write_text(
        file.read_text().replace("[panel]", f'[panel]\nusers_file = "{tmp_path}/u.json"')
    )
    done = await dustcake("users", "--settings", short, "add", "sam", input_text="short\n")
    assert (done.code, "10 to 200 characters" in done.err) == (2, True)
    done = await dustcake("users", "--settings", short, "remove", "sam")
    assert (done.code, "does not exist" in done.err) == (1, True)
