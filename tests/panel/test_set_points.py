"""Changing set points in a browser: shown back by the daemon, and in force only when confirmed."""

from pathlib import Path

from playwright.async_api import Browser, expect

from panel.conftest import installation, watched
from panel.test_browser import PHONE, violations
from system_support.processes import Daemons


async def test_a_change_is_shown_back_and_confirmed(
    tmp_path: Path, daemons: Daemons, browser: Browser
) -> None:
    async with installation(tmp_path, daemons) as here:
        seen = await watched(browser, bypass_csp=True, **PHONE)
        page = seen.page
        await seen.shown(here.url)
        assert not await page.is_visible("#points-open")
        await seen.sign_in("kim")
        await page.tap("#points-open")
        high = page.locator("#points-fields [name=high_pa]")
        await expect(high).to_have_value("1000")
        await page.tap("#points-ask")
        refusal = page.locator("#points-refusal")
        await expect(refusal).to_have_text("Nothing is changed yet.")
        await high.fill("9000")
        await page.tap("#points-ask")
        await expect(refusal).to_contain_text("Refused")
        await high.fill("1100")
        assert await violations(seen) == []
        await page.tap("#points-ask")
        shown = page.locator("#points-shown")
        await expect(shown).to_contain_text("cleaning starts at: 1000 Pa → 1100 Pa")
        assert await violations(seen) == []
        await expect(page.locator("#points-held")).to_contain_text("waits for panel:kim")
        assert (await here.daemon.status())["set_points"]["high"]["value"] == 1000.0
        await page.tap("#points-confirm")
        await expect(page.locator("#set-points")).to_contain_text("1100 Pa")
        await expect(page.locator("#points-held")).to_have_text("")
        status = await here.daemon.status()
        assert status["set_points"]["high"]["value"] == 1100.0
        assert status["set_points"]["low"]["value"] == 750.0
        await expect(page.locator("#log-list")).to_contain_text("panel:kim")
        assert seen.complaints == []


async def test_who_leaves_it_changes_nothing(
    tmp_path: Path, daemons: Daemons, browser: Browser
) -> None:
    async with installation(tmp_path, daemons) as here:
        seen = await watched(browser, **PHONE)
        await seen.shown(here.url)
        await seen.sign_in("kim")
        await seen.page.check("#units input[value='inH2O']", force=True)
        await expect(seen.page.locator("#set-points")).to_contain_text("3.01 inH2O")
        await seen.page.tap("#points-open")
        await seen.page.fill("#points-fields [name=low_pa]", "2.8")
        await seen.page.tap("#points-ask")
        # Shown back in the unit it is asked for in, which is not the collector's own.
        await expect(seen.page.locator("#points-shown")).to_contain_text("3.01 inH2O → 2.80 inH2O")
        await seen.page.tap("#points-dialog [data-close]")
        status = await here.daemon.status()
        assert status["set_points"]["low"]["value"] == 750.0
        assert status["change_held"]["by"] == "panel:kim"
