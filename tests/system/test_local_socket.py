"""The local request socket: who may use it, and what it does with callers who misbehave."""

import asyncio
import contextlib
import getpass
import json
import stat
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from examples import examples
from system_support import settings
from system_support.broker import Broker, until
from system_support.device import Device, device, scenario
from system_support.heard import Heard, listener
from system_support.processes import Daemon, Daemons

CLEAN = scenario(0.1)
STATUS = b'{"status": true}\n'


@contextlib.asynccontextmanager
async def running(directory: Path, daemons: Daemons) -> AsyncIterator[tuple[Daemon, Device]]:
    async with device(CLEAN) as plant:
        file = settings.write(directory, settings.tcp_bus(plant.port), settings.collector())
        yield await daemons.start(file), plant


async def ask(directory: Path, line: bytes) -> bytes:
    """What comes back until the daemon closes the connection."""
    reader, writer = await asyncio.open_unix_connection(directory / "control.sock")
    with contextlib.suppress(ConnectionError):
        writer.write(line)
        await writer.drain()
    try:
        async with asyncio.timeout(15):
            return await reader.read()
    except ConnectionError:
        return b""
    finally:
        writer.close()


async def test_only_owner_and_group_may_talk_to_it(tmp_path: Path, daemons: Daemons) -> None:
    async with running(tmp_path, daemons):
        mode = (tmp_path / "control.sock").stat().st_mode
        assert stat.S_ISSOCK(mode)
        assert stat.S_IMODE(mode) == 0o660
        assert not (tmp_path / "journal.db").stat().st_mode & 0o007


@pytest.mark.broker
async def test_who_asked_is_told_by_the_kernel_not_by_the_caller(
    tmp_path: Path, broker: Broker, daemons: Daemons
) -> None:
    async with device(CLEAN) as plant, listener(broker) as sub:
        heard = Heard(sub)
        file = settings.write(
            tmp_path,
            settings.tcp_bus(plant.port),
            settings.collector(),
            mqtt=settings.mqtt(broker.port),
        )
        await daemons.start(file)
        asked = {"id": "1", "request": "mode", "mode": "off", "by": "somebody else"}
        answer = json.loads(await ask(tmp_path, json.dumps(asked).encode() + b"\n"))
        assert answer["accepted"] is True
        await until(lambda: bool(heard.events("mode_selected")), "the event")
        assert heard.events("mode_selected")[0]["by"] == f"local:{getpass.getuser()}"


JUNK = [
    b"\n",
    b"status\n",
    b"[]\n",
    b"null\n",
    b"\xff\xfe\x00\n",
    b"[" * 4000 + b"\n",
    b'{"id": "1", "request": "mode"}\n',
    b'{"id": "1", "request": "zero", "collector": ["hall-1"]}\n',
    b'{"id": "1", "request": "zero", "collector": {}}\n',
    b'{"id": "\\ud800", "request": "zero"}\n',
    b'{"id": 1' + b"0" * 5000 + b"}\n",
    b"GET / HTTP/1.1\n",
]


async def test_junk_is_answered_and_changes_nothing(tmp_path: Path, daemons: Daemons) -> None:
    async with running(tmp_path, daemons) as (daemon, _):
        for line in JUNK:
            answer = json.loads(await ask(tmp_path, line))
            assert answer["accepted"] is False, line
            assert answer["reason"], line
        assert (await daemon.status())["mode"] == "on_demand"


async def test_lines_without_an_end_or_too_long_are_dropped(
    tmp_path: Path, daemons: Daemons
) -> None:
    async with running(tmp_path, daemons) as (daemon, _):
        assert await ask(tmp_path, b"x" * 100_000 + b"\n") == b""
        assert await ask(tmp_path, b'{"status": true' + b" " * 9000 + b"}\n") == b""
        assert (await daemon.status())["quality"] == "good"


async def test_callers_who_say_nothing_block_nobody_and_do_not_delay_the_end(
    tmp_path: Path, daemons: Daemons
) -> None:
    async with running(tmp_path, daemons) as (daemon, _), contextlib.AsyncExitStack() as stack:
        for _count in range(50):
            _, writer = await asyncio.open_unix_connection(tmp_path / "control.sock")
            stack.callback(writer.close)
            writer.write(b'{"sta')
        assert json.loads(await ask(tmp_path, STATUS))["collectors"]
        assert await daemon.terminate(within_s=5.0) == 0


async def test_a_caller_who_leaves_before_the_answer_is_no_error(
    tmp_path: Path, daemons: Daemons
) -> None:
    async with running(tmp_path, daemons) as (daemon, _):
        for _count in range(20):
            _, writer = await asyncio.open_unix_connection(tmp_path / "control.sock")
            writer.write(STATUS)
            writer.transport.abort()
        assert (await daemon.status())["quality"] == "good"
        assert await daemon.terminate() == 0
        assert [line["event"] for line in daemon.log_lines] == ["running", "stopping", "stopped"]


def _calls() -> list[bytes]:
    """Lines that are almost something, the same in every run."""
    words = st.sampled_from(["status", "request", "id", "mode", "zero", "collector", "hall-1", ""])
    values: st.SearchStrategy[Any] = st.recursive(
        st.none() | st.booleans() | st.integers() | st.floats() | words | st.text(max_size=8),
        lambda inner: st.lists(inner, max_size=3) | st.dictionaries(words, inner, max_size=3),
        max_leaves=6,
    )
    tables = st.dictionaries(words, values, max_size=5).filter(lambda t: t != {"status": True})
    lines = tables.map(lambda table: json.dumps(table).encode()) | st.binary(max_size=80)
    found: list[bytes] = []

    @examples(150)
    @given(lines)
    def gather(line: bytes) -> None:
        found.append(line.replace(b"\n", b" ") + b"\n")

    gather()
    return found


async def test_any_line_gets_one_json_object_and_moves_nothing(
    tmp_path: Path, daemons: Daemons
) -> None:
    async with running(tmp_path, daemons) as (daemon, plant):
        for line in _calls():
            answer = await ask(tmp_path, line)
            assert answer.count(b"\n") == 1, (line, answer)
            assert json.loads(answer)["accepted"] is False, line
        assert (await daemon.status())["mode"] == "on_demand"
        assert sum(plant.unit.pulses) == 0
        assert daemon.process.poll() is None


async def test_a_plain_file_in_its_place_is_refused_and_kept(
    tmp_path: Path, daemons: Daemons
) -> None:
    (tmp_path / "control.sock").write_text("mine")
    async with device(CLEAN) as plant:
        file = settings.write(tmp_path, settings.tcp_bus(plant.port), settings.collector())
        daemon = daemons.begin(file)
        assert await daemon.ended() == 1
        assert "cannot open the request socket" in daemon.log
        assert (tmp_path / "control.sock").read_text() == "mine"
        assert not plant.unit.image.coil_writes
        (tmp_path / "control.sock").unlink()
        assert (await (await daemons.start(file)).status())["quality"] == "good"
