"""The page in a real browser, on a real daemon."""

import asyncio
import itertools
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.async_playwright import Axe
from playwright.async_api import Browser, expect

from panel.conftest import Watched, installation, watched
from system_support import settings
from system_support.broker import Broker, until
from system_support.heard import Heard, listener
from system_support.processes import Daemons

PHONE: dict[str, Any] = {
    "viewport": {"width": 390, "height": 844},
    "has_touch": True,
    "is_mobile": True,
}
DESK: dict[str, Any] = {"viewport": {"width": 1280, "height": 800}}


def _only_here(seen: Watched, url: str) -> None:
    assert seen.asked
    assert all(asked.startswith((url, "data:")) for asked in seen.asked), seen.asked


@pytest.mark.story
async def test_an_alarm_is_acknowledged_from_the_page_to_the_broker(
    tmp_path: Path, daemons: Daemons, broker: Broker, browser: Browser
) -> None:
    async with (
        listener(broker, "dustcake/#") as subscriber,
        installation(tmp_path, daemons, mqtt=settings.mqtt(broker.port)) as here,
    ):
        heard = Heard(subscriber)
        viewer, person = await watched(browser, **PHONE), await watched(browser, **DESK)
        await viewer.shown(here.url)
        await person.shown(here.url)
        here.plant.unit.force("contact", contact="smoke", closed=True)
        acknowledge = "[data-request=acknowledge][data-alarm=smoke]"
        await viewer.page.wait_for_selector("#alarm-list .active")
        await person.page.wait_for_selector("#alarm-list .active")
        alarm = await viewer.page.inner_text("#alarm-list .active")
        assert "Smoke reported" in alarm
        assert "Follow the site's fire procedure" in alarm
        assert await viewer.page.locator("#alarm-list button").count() == 0
        await person.sign_in("ann")
        await person.page.wait_for_selector(acknowledge)
        assert await person.page.locator("[data-request=out_of_service]").count() == 0
        assert not await person.page.is_visible("#modes")
        await person.page.focus(acknowledge)
        await person.page.keyboard.press("Enter")
        await expect(viewer.page.locator("#alarm-list")).to_contain_text("Active, acknowledged")
        await until(
            lambda: any(
                body["state"] == "acknowledged" and body["by"] == "panel:ann"
                for body in heard.bodies("alarm/smoke")
            ),
            "the acknowledgement at the broker",
        )
        for seen in (viewer, person):
            assert seen.complaints == []
            _only_here(seen, here.url)


async def test_a_request_beyond_ones_level_is_refused_by_the_daemon_itself(
    tmp_path: Path, daemons: Daemons, browser: Browser
) -> None:
    async with installation(tmp_path, daemons) as here:
        seen = await watched(browser, **DESK)
        await seen.shown(here.url)
        await seen.sign_in("ann")
        told: dict[str, Any] = await seen.page.evaluate(
            """async () => {
                const who = await (await fetch("/api/who")).json();
                const answer = await fetch("/api/request", {
                    method: "POST",
                    headers: {"content-type": "application/json", "x-dustcake-token": who.token},
                    body: JSON.stringify({collector: "hall-1", request: "mode", mode: "off"}),
                });
                return {status: answer.status, ...(await answer.json())};
            }"""
        )
        assert told["status"] == 403
        assert told["reason"] == "your level is `acknowledge`; it needs the level `adjust`"
        assert (await here.daemon.status())["mode"] == "on_demand"


async def test_a_mode_is_shown_again_before_it_is_selected(
    tmp_path: Path, daemons: Daemons, browser: Browser
) -> None:
    async with installation(tmp_path, daemons) as here:
        seen = await watched(browser, **PHONE)
        await seen.shown(here.url)
        await seen.sign_in("kim")
        await seen.page.tap("[data-mode=timed]")
        await seen.page.wait_for_selector("#ask-dialog[open]")
        assert "The mode now is on demand" in await seen.page.inner_text("#ask-text")
        await seen.page.tap("#ask-dialog [data-close]")
        assert (await here.daemon.status())["mode"] == "on_demand"
        await seen.page.tap("[data-mode=timed]")
        await seen.page.tap("#ask-do")
        await seen.page.wait_for_selector("[data-mode=timed][aria-pressed=true]")
        assert (await here.daemon.status())["mode"] == "timed"
        book = seen.page.locator("#log-list")
        await expect(book).to_contain_text("mode timed selected by panel:kim")
        assert seen.complaints == []


async def test_it_says_when_it_is_stale_and_lives_on_after_a_restart(
    tmp_path: Path, daemons: Daemons, browser: Browser
) -> None:
    async with installation(tmp_path, daemons) as here:
        seen = await watched(browser, **DESK)
        await seen.shown(here.url)
        assert not await seen.page.is_visible("#stale")
        first = await seen.page.inner_text("#link-state")
        await expect(seen.page.locator("#link-state")).not_to_have_text(first)
        assert await here.daemon.terminate(within_s=5.0) == 0
        await seen.page.wait_for_selector("#stale:not([hidden])")
        assert "No word from the daemon for" in await seen.page.inner_text("#stale")
        assert (await seen.page.title()).startswith("OLD")
        again = await daemons.start(here.settings)
        await seen.page.wait_for_selector("#stale", state="hidden")
        await expect(seen.page.locator("#link-state")).to_contain_text("Live")
        # What could not be reached while the daemon was away is all there is to complain of.
        assert all("ERR_" in one for one in seen.complaints), seen.complaints
        again.kill()
        await seen.page.wait_for_selector("#stale:not([hidden])")


async def test_an_accessibility_engine_finds_nothing(
    tmp_path: Path, daemons: Daemons, browser: Browser
) -> None:
    """In both sizes, light and dark, with an alarm standing and with a dialog open. WCAG 2.2 AA is
    among what it looks for; what it can find is not all there is."""
    async with installation(tmp_path, daemons) as here:
        here.plant.unit.force("contact", contact="smoke", closed=True)
        for scheme, size in itertools.product(("light", "dark"), (PHONE, DESK)):
            seen = await watched(browser, color_scheme=scheme, bypass_csp=True, **size)
            await seen.shown(here.url)
            await seen.sign_in("kim")
            await seen.page.wait_for_selector("[data-request=shelve]")
            await seen.page.click("#settings summary")
            assert await violations(seen) == []
            wide = await seen.page.evaluate("document.documentElement.scrollWidth - innerWidth")
            assert wide <= 0, "the page scrolls sideways"
            await seen.page.click("[data-request=shelve]")
            await seen.page.wait_for_selector("#ask-dialog[open]")
            assert await violations(seen) == []
            await seen.page.context.close()


async def violations(seen: Watched) -> list[str]:
    """What the engine finds wrong."""
    found = await Axe().run(
        seen.page,
        options={"runOnly": ["wcag2a", "wcag2aa", "wcag21aa", "wcag22aa", "best-practice"]},
    )
    assert found.response["passes"], "it has looked at nothing"
    return [f"{one['id']}: {one['nodes'][0]['html']}" for one in found.response["violations"]]


async def test_units_are_switched_in_place_for_one_of_three_viewers_and_a_stop_is_in_time(
    tmp_path: Path, daemons: Daemons, browser: Browser
) -> None:
    async with installation(tmp_path, daemons) as here:
        viewers = [await watched(browser, **DESK) for _ in range(3)]
        await asyncio.gather(*(one.shown(here.url) for one in viewers))
        page, other = viewers[0].page, viewers[1].page
        await expect(page.locator("#dp-unit")).to_have_text("Pa")
        await expect(page.locator("#set-points")).to_contain_text("1000 Pa")
        await page.check("#units input[value=inH2O]", force=True)
        await expect(page.locator("#dp-unit")).to_have_text("inH2O")
        await expect(page.locator("#set-points")).to_contain_text("4.01 inH2O")
        await page.reload()
        await expect(page.locator("#dp-unit")).to_have_text("inH2O")
        await expect(other.locator("#dp-unit")).to_have_text("Pa")
        assert await here.daemon.terminate(within_s=5.0) == 0
