"""The command line as its users meet it: exit codes, messages with their remedy, JSON lines."""

import re
import subprocess
from pathlib import Path

import pytest

from system_support import settings
from system_support.broker import free_port, until
from system_support.device import device, scenario
from system_support.processes import DAEMON, Daemons, dustcake

CLEAN = scenario(0.1)
GOOD = settings.collector()


def file_for(directory: Path, port: int = 502) -> Path:
    return settings.write(directory, settings.tcp_bus(port), GOOD)


def files(directory: Path) -> list[str]:
    return [path.name for path in directory.iterdir()]


async def test_read_shows_raw_and_scaled_values_and_writes_nothing(tmp_path: Path) -> None:
    async with device(CLEAN) as plant:
        table = settings.merged(GOOD, settings.header())
        file = settings.write(tmp_path, settings.tcp_bus(plant.port), table)
        done = await dustcake("read", file)
        assert done.code == 0
        assert "raw 17" in done.out
        assert "(0x44" in done.out
        assert "good" in done.out
        assert re.search(r"header +6\.[12]\d bar \(6\d{5} Pa\)", done.out)
        points = {line["point"]: line for line in (await dustcake("read", "--json", file)).lines}
        assert points["dp"]["value_pa"] == pytest.approx(750.0, abs=20.0)
        assert points["blower_running"]["state"] is True
        assert points["smoke"]["state"] is False
        assert not plant.unit.image.coil_writes

        plant.unit.force("fieldbus", silent=True)
        plant.server.exchange.silenced = lambda: True
        silent = await dustcake("read", "--json", file)
        assert silent.code == 3
        assert all(line["problem"] for line in silent.lines), "nothing but JSON on stdout"
        assert {line["point"] for line in silent.lines} == set(points)

    gone = await dustcake("read", file_for(tmp_path, free_port()))
    assert gone.code == 3
    assert "connection refused" in gone.out
    assert "check supply, wiring" in gone.err


async def test_status_and_requests_in_words_and_as_json(tmp_path: Path, daemons: Daemons) -> None:
    async with device(CLEAN) as plant:
        table = settings.merged(GOOD, {**settings.header(), "display_unit": "inH2O"})
        daemon = await daemons.start(settings.write(tmp_path, settings.tcp_bus(plant.port), table))
        words = (await dustcake("status", "--settings", daemon.settings)).out
        assert re.match(r"hall-1: dP [23]\.\d\d inH2O \(7\d\d Pa\), good\n", words)
        assert "mode on demand: idle, dP is below the high set point" in words
        assert re.search(r"header (89|90)\.\d psi \(6\d{5} Pa\)", words)
        assert "ALARM" not in words

        accepted = await daemon.request("mode", "timed")
        assert accepted.code == 0
        assert accepted.out.startswith("accepted: ")
        as_json = await daemon.request("--json", "acknowledge", "smoke")
        assert as_json.code == 1
        (answer,) = as_json.lines
        assert answer["accepted"] is False
        assert answer["reason_code"] == "nothing_to_acknowledge"
        by_hand = await daemon.request("blower", "on")
        assert by_hand.code == 1
        assert by_hand.out.startswith("refused: ")
        unknown = await daemon.request("--collector", "nowhere", "zero")
        assert unknown.code == 1
        assert "name one of the collectors: hall-1" in unknown.out


async def test_a_blower_request_by_hand_is_carried_out_and_not_kept(
    tmp_path: Path, daemons: Daemons
) -> None:
    remote = CLEAN.model_copy(update={"blower_control": "remote"})
    coil = {"blower": {"request": "hand", "coil": {"bus": settings.BUS, "coil": 33}}}
    async with device(remote) as plant:
        file = settings.write(tmp_path, settings.tcp_bus(plant.port), settings.merged(GOOD, coil))
        daemon = await daemons.start(file)
        outputs = plant.unit.machine.outputs
        assert (await daemon.request("blower", "on")).code == 0
        await until(lambda: outputs.blower_request, "the run request")
        await daemon.status_when(lambda s: s["blower_running"] is True, "proof of the blower")
        daemon.kill()
        await daemons.start(file)
        await until(lambda: not outputs.blower_request, "its withdrawal after a restart")


@pytest.mark.parametrize("folder", ["no/such/folder", "/sys"])
async def test_a_journal_that_cannot_be_written_is_code_1_and_named(
    tmp_path: Path, daemons: Daemons, folder: str
) -> None:
    """Nobody, not even root, may make a file in /sys."""
    path = tmp_path / folder / "journal.db"
    async with device(CLEAN) as plant:
        bus = settings.tcp_bus(plant.port)
        file = settings.write(tmp_path, bus, GOOD, journal={"path": str(path)})
        daemon = daemons.begin(file)
        assert await daemon.ended() == 1
        assert f"dustcake cannot run: journal {path}" in daemon.log
        assert "; " in daemon.log, "cause and remedy"
        assert len(daemon.log.splitlines()) == 1
        assert not plant.unit.image.coil_writes, "it has touched no output"


async def test_a_socket_without_its_directory_is_code_1_and_named(
    tmp_path: Path, daemons: Daemons
) -> None:
    async with device(CLEAN) as plant:
        socket = {"socket": str(tmp_path / "no" / "control.sock")}
        bus = settings.tcp_bus(plant.port)
        daemon = daemons.begin(settings.write(tmp_path, bus, GOOD, control=socket))
        assert await daemon.ended() == 1
        assert f"cannot open the request socket {socket['socket']}" in daemon.log
        assert "Create its directory, or set `control.socket`" in daemon.log
        assert not plant.unit.image.coil_writes, "it has touched no output"


def test_a_reader_that_has_had_enough_is_no_error(tmp_path: Path) -> None:
    process = subprocess.Popen(
        [*DAEMON, "schema"], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    process.stdout.close()
    process.stdout = None
    _, errors = process.communicate(timeout=30)
    assert errors == ""
