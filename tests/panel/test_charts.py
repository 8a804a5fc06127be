"""The charting library: fetched pinned, used where it is, and nothing amiss where it is not."""

import asyncio
import os
import tarfile
from pathlib import Path

from playwright.async_api import Browser, expect

from panel.conftest import installation, watched
from system_support.processes import Daemons

SCRIPT = Path(__file__).parents[2] / "deploy" / "panel-charts.sh"

# As much of the library as the page uses, so that what is tried is the way to it.
STAND_IN = """
class uPlot {
  constructor(options, data, box) {
    this.root = document.createElement("div");
    this.root.className = "uplot";
    this.root.textContent = `${options.series.length} series, ${data.length} columns`;
    box.append(this.root);
  }
  destroy() { this.root.remove(); }
}
"""


async def fetched(directory: Path, target: Path) -> tuple[int, str]:
    """The script with ``directory`` first on the path; its exit code and what it says."""
    process = await asyncio.create_subprocess_exec(
        *("sh", str(SCRIPT), str(target)),
        env={**os.environ, "PATH": f"{directory}:{os.environ['PATH']}"},
        stderr=asyncio.subprocess.PIPE,
    )
    _, said = await process.communicate()
    assert process.returncode is not None
    return process.returncode, said.decode()


async def test_another_package_than_the_pinned_one_is_not_taken(tmp_path: Path) -> None:
    (tmp_path / "LICENSE").write_text("another")
    with tarfile.open(tmp_path / "uplot.tgz", "w:gz") as package:
        package.add(tmp_path / "LICENSE", "package/LICENSE")
    npm = tmp_path / "npm"
    npm.write_text(f"#!/bin/sh\ncp {tmp_path}/uplot.tgz .\n")
    npm.chmod(0o755)
    code, said = await fetched(tmp_path, tmp_path / "charts")
    assert (code, "not what was pinned; nothing is changed" in said) == (1, True)
    assert not (tmp_path / "charts").exists()
    npm.write_text("#!/bin/sh\nexit 1\n")
    code, said = await fetched(tmp_path, tmp_path / "charts")
    assert (code, "Is the network there?" in said) == (1, True)


async def test_the_page_draws_with_the_library_where_it_is(
    tmp_path: Path, daemons: Daemons, browser: Browser
) -> None:
    charts = tmp_path / "charts"
    charts.mkdir()
    (charts / "uPlot.iife.min.js").write_text(STAND_IN)
    (charts / "uPlot.min.css").write_text(".uplot { width: 100%; }")
    async with installation(tmp_path, daemons, panel={"charts_dir": str(charts)}) as here:
        seen = await watched(browser)
        await seen.shown(here.url)
        drawn = seen.page.locator("#trend-picture .uplot")
        await expect(drawn).to_have_text("7 series, 7 columns")
        await seen.page.check("#lengths input[value='1y']", force=True)
        await expect(drawn).to_have_count(1)
        assert seen.complaints == []
