"""Many collectors in one daemon: processor, memory, and what is written to the card."""

import asyncio
from pathlib import Path

import pytest

from bench.conftest import Add
from bench.fleet import devices, measure
from bench.process_figures import cpu_s, resident_mib, written_bytes
from system_support import settings
from system_support.broker import Broker, running
from system_support.processes import Daemons, dustcake

BUSES, UNITS = 8, 4
MEASURED_S = 15.0
MOST_PER_CENT, MOST_MIB = 15.0, 90.0


async def test_32_collectors_each_second(tmp_path: Path, daemons: Daemons, row: Add) -> None:
    with devices(BUSES, UNITS) as ports:
        await observed(tmp_path, ports, daemons, row)


async def observed(tmp_path: Path, ports: list[int], daemons: Daemons, row: Add) -> None:
    buses = [settings.tcp_bus(port, name=f"bus-{n}") for n, port in enumerate(ports)]
    collectors = [
        settings.collector(
            f"hall-{bus}-{unit}",
            poll_s=1.0,
            stale_after_s=5.0,
            **settings.merged(
                settings.placed(f"bus-{bus}", unit), {"outputs": {"one_shot_register": None}}
            ),
        )
        for bus in range(BUSES)
        for unit in range(1, UNITS + 1)
    ]
    async with running(Broker(tmp_path / "broker")) as broker:
        mqtt = {"host": "127.0.0.1", "port": broker.port}
        journal = {"path": str(tmp_path / "journal.db")}
        file = settings.write(tmp_path, buses, *collectors, mqtt=mqtt, journal=journal)
        daemon = await daemons.start(file)
        pid = daemon.process.pid
        await asyncio.sleep(5.0)  # past the start: what is measured is the steady state
        before_s, before = cpu_s(pid), written_bytes(pid)
        await asyncio.sleep(MEASURED_S)
        per_cent = (cpu_s(pid) - before_s) / MEASURED_S * 100
        kb_s = (written_bytes(pid) - before) / MEASURED_S / 1e3
        memory_mib = resident_mib(pid)
        told = (await dustcake("status", "--settings", file, "--json")).lines
        assert [each["quality"] for each in told] == ["good"] * len(collectors)
        assert all(each["broker"]["connected"] for each in told)
        assert sum(each["missed_polls"] for each in told) <= len(collectors), "one pause at most"
    row(
        "32 collectors at 1 Hz, 8 buses: of one core",
        f"{per_cent:.1f} %",
        f"at most {MOST_PER_CENT:g}",
    )
    row("  memory", f"{memory_mib:.0f} MiB", f"at most {MOST_MIB:g}")
    row("  written to the card", f"{kb_s:.0f} kB/s", "nothing happening, flush_s 10")
    assert per_cent <= MOST_PER_CENT
    assert memory_mib <= MOST_MIB


@pytest.mark.night
@pytest.mark.patience(300, "many daemons start and are watched for a while")
async def test_daemons_at_one_broker(tmp_path: Path, row: Add) -> None:
    """Few here; `python -m bench.fleet` does it with 200."""
    found = await measure(tmp_path, daemons=2, collectors=10, seconds=10.0, every_s=0.5)
    row(
        "20 collectors, 2 daemons, every reading told: messages",
        f"{found.messages_s:.0f} /s",
        f"broker {found.broker.per_cent:.1f} % of a core, {found.broker.mib:.0f} MiB",
    )
    row("  daemons, of one core", f"{found.daemons.per_cent:.1f} %", f"{found.daemons.mib:.0f} MiB")
    row("  broker restarted: all told again", f"{found.back_s:.1f} s", "waits at least 1 s")
    assert found.messages_s >= 0.8 * found.collectors
    assert found.broker.per_cent <= 10.0
