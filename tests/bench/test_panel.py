"""What the panel costs: memory, processor, the first view, a trend of a year."""

import asyncio
import contextlib
import itertools
import shutil
import sqlite3
import statistics
import time
from collections import Counter
from collections.abc import AsyncIterator
from contextlib import closing
from pathlib import Path

import httpx2
import pytest
from playwright.async_api import async_playwright

from bench.conftest import Add
from bench.process_figures import cpu_s, resident_mib
from dustcake.adapters.store import History
from dustcake.adapters.store.schema import migrate
from system_support import settings
from system_support.broker import free_port
from system_support.device import device, scenario
from system_support.processes import Daemon, Daemons

MEASURED_S = 8.0
MARGIN = 2.0
"""Of a bound by the clock, on a machine that others use as well."""
YEAR_S = 366 * 86_400.0
MINUTE = (
    "INSERT INTO minutes (collector, number, seq, start, utc_s, mono_s, covered_s, polls, good, "
    "dp_min_pa, dp_mean_pa, dp_max_pa, header_min_pa, header_mean_pa, header_max_pa, blower_s) "
    "VALUES ('hall-1', ?, 0, 0, ?, ?, 60.0, 60, 60, 700.0, 800.0, 900.0, 5e5, 6e5, 6.2e5, 60.0)"
)


def made(parent: Path, name: str) -> Path:
    directory = parent / name
    directory.mkdir()
    return directory


@contextlib.asynccontextmanager
async def daemon(directory: Path, daemons: Daemons, panel: int | None) -> AsyncIterator[Daemon]:
    tables = {} if panel is None else {"panel": {"port": panel}}
    async with device(scenario(0.1)) as plant:
        collector = settings.collector(poll_s=1.0, stale_after_s=5.0)
        file = settings.write(directory, settings.tcp_bus(plant.port), collector, **tables)
        yield await daemons.start(file)


async def figures(pid: int) -> tuple[float, float]:
    """Memory in MiB, and the part of a core in per cent, over some time."""
    await asyncio.sleep(2.0)  # past the start: what is measured is the steady state
    before_s = cpu_s(pid)
    await asyncio.sleep(MEASURED_S)
    return resident_mib(pid), (cpu_s(pid) - before_s) / MEASURED_S * 100


async def listen(url: str, heard: Counter[str]) -> None:
    async with (
        httpx2.AsyncClient(timeout=10) as client,
        client.stream("GET", f"{url}/api/live") as stream,
    ):
        async for line in stream.aiter_lines():
            heard[line[:5]] += 1


async def test_three_viewers(tmp_path: Path, daemons: Daemons, row: Add) -> None:
    async with daemon(made(tmp_path, "without"), daemons, None) as without:
        bare_mib, bare = await figures(without.process.pid)
    port = free_port()
    async with daemon(made(tmp_path, "with"), daemons, port) as with_panel:
        url = f"http://127.0.0.1:{port}"
        heard: Counter[str] = Counter()
        viewers = [asyncio.create_task(listen(url, heard)) for _ in range(3)]
        async with httpx2.AsyncClient(base_url=url) as client:
            for path in ("/", "/main.js", "/api/settings", "/api/log-book", "/api/trend.svg"):
                assert (await client.get(path)).status_code == 200
        mib, busy = await figures(with_panel.process.pid)
        assert heard["event"] > 3 * MEASURED_S * 0.8
        for viewer in viewers:
            viewer.cancel()
    row("memory the panel adds, three viewers", f"{mib - bare_mib:.1f} MiB", "at most 35")
    row("processor the panel adds, three viewers", f"{busy - bare:.1f} % of a core", "at most 3")
    assert mib - bare_mib <= 35.0
    assert busy - bare <= 3.0


async def test_first_view(tmp_path: Path, daemons: Daemons, row: Add) -> None:
    port = free_port()
    program = shutil.which("chromium")
    assert program is not None, "no Chromium here; on Debian: sudo apt install chromium"
    taken_s, received = [], 0
    async with daemon(made(tmp_path, "with"), daemons, port), async_playwright() as playwright:
        browser = await playwright.chromium.launch(
            executable_path=program, args=["--no-sandbox", "--disable-background-networking"]
        )
        for _ in range(5):
            page = await (await browser.new_context()).new_page()
            session = await page.context.new_cdp_session(page)
            await session.send("Network.enable")
            sizes: list[float] = []
            session.on(
                "Network.loadingFinished",
                lambda seen, sizes=sizes: sizes.append(seen["encodedDataLength"]),
            )
            session.on(
                "Network.dataReceived",
                lambda seen, sizes=sizes: sizes.append(seen["encodedDataLength"]),
            )
            began_s = time.perf_counter()
            await page.goto(f"http://127.0.0.1:{port}/")
            await page.wait_for_selector("main:not([hidden]) #dp-value")
            taken_s.append(time.perf_counter() - began_s)
            await page.wait_for_selector("svg.trend")
            received = max(received, int(sum(sizes)))
            await page.context.close()
        await browser.close()
    median_s = statistics.median(taken_s)
    row("first view, readable in a browser", f"{median_s:.2f} s", "at most 1")
    row("first view, over the wire", f"{received / 1000:.0f} kB", "at most 300")
    assert median_s <= 1.0 * MARGIN
    assert received <= 300_000


@pytest.mark.night
def test_a_trend_of_a_year(tmp_path: Path, row: Add) -> None:
    path = tmp_path / "journal.db"
    now_s = 1_700_000_000.0
    with closing(sqlite3.connect(path, isolation_level=None)) as journal:
        journal.execute("PRAGMA page_size = 1024")
        migrate(journal)
        journal.execute("BEGIN")
        count = int(YEAR_S / 60)
        minutes = ((n, now_s - 60.0 * (count - n), 60.0 * n) for n in range(count))
        for some in iter(lambda: list(itertools.islice(minutes, 10_000)), []):
            journal.executemany(MINUTE, some)
        journal.execute("COMMIT")
    for name, length_s in (("a week", 7 * 86_400.0), ("a year", YEAR_S)):
        taken_s = []
        for _ in range(5):
            began_s = time.perf_counter()
            with History(path) as history:
                found = history.trend("hall-1", now_s, length_s, 500)
            taken_s.append(time.perf_counter() - began_s)
            assert 300 <= len(found.parts) <= 500
        median_s = statistics.median(taken_s)
        row(f"trend of {name} from the journal", f"{median_s * 1e3:.0f} ms", "at most 200")
        assert median_s <= 0.2
