"""Commissioning on the panel: who may, and in a real browser on a real daemon."""

import itertools
from pathlib import Path
from typing import Any

import pytest
from playwright.async_api import Browser, expect

from panel.conftest import Installation, Watched, installation, watched
from panel.test_browser import DESK, PHONE, violations
from panel.test_web import Bench
from system_support.processes import Daemons


def asked(bench: Bench, **fields: Any) -> Any:
    token = bench.client.get("/api/who").json()["token"]
    return bench.client.post(
        "/api/commission",
        json={"collector": "hall-1", **fields},
        headers={"x-dustcake-token": token or ""},
    )


@pytest.mark.parametrize(("name", "code"), [("vic", 403), ("ann", 403), ("kim", 200)])
def test_only_who_may_adjust_commissions(tmp_path: Path, name: str, code: int) -> None:
    bench = Bench(tmp_path)
    assert asked(bench, commission="begin").status_code == 401
    bench.sign_in(name)
    assert asked(bench, commission="do", step="zero", action="take").status_code == code
    assert len(bench.source.asked) == (code == 200)
    if code == 200:
        assert bench.source.asked[0][2] == "panel:kim"
        assert asked(bench, commission="record").status_code == 400
        assert asked(bench, commission="do", collector="hall-9").status_code == 400


def test_another_site_cannot_ask(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.sign_in("kim")
    answer = bench.client.post(
        "/api/commission", json={"collector": "hall-1", "commission": "begin"}
    )
    assert answer.status_code == 403
    assert bench.source.asked == []


def test_a_report_is_for_viewers_and_to_be_saved(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    for form in ("html", "pdf"):
        answer = bench.client.get(f"/api/commission/report.{form}?collector=hall-1")
        assert answer.text == f"hall-1 {form}"
        assert answer.headers["content-disposition"].startswith("attachment")
    bench.source.broken = True
    assert bench.client.get("/api/commission/report.pdf").status_code == 503
    closed = Bench(tmp_path, shows_to_all=False)
    assert closed.client.get("/api/commission").status_code == 401
    assert closed.client.get("/api/commission/report.html").status_code == 401


async def opened(here: Installation, browser: Browser, **options: Any) -> Watched:
    """The page, with an adjuster signed in."""
    seen = await watched(browser, **options)
    await seen.page.goto(f"{here.url}/commission.html")
    await seen.page.wait_for_selector("main:not([hidden])")
    await seen.sign_in("kim")
    return seen


async def test_steps_are_done_on_a_phone_and_seen_in_the_shop(
    tmp_path: Path, daemons: Daemons, browser: Browser
) -> None:
    async with installation(tmp_path, daemons) as here:
        seen = await opened(here, browser, **PHONE)
        page = seen.page
        await page.tap("[data-key=begin]")
        await page.wait_for_selector("[data-action=read]")
        await page.tap("[data-action=read] button")
        said = page.locator("#said")
        await expect(said).to_contain_text("Passed: dP reads", timeout=30_000)
        await expect(page.locator("#step-h")).to_contain_text("Span and direction")
        assert "Isolate the transmitter" in await page.inner_text("#cautions")
        await page.tap("[data-action=rest] button")
        await expect(said).to_contain_text("Refused: the blower runs")
        for step in ("span", "zero"):
            await expect(page.locator("#step-list [aria-current]")).to_have_attribute(
                "data-step", step
            )
            await page.tap("details:has([data-action=skip]) summary")
            await page.fill("[data-action=skip] input", "done at the works")
            await page.tap("[data-action=skip] button")
            await expect(page.locator(f"[data-step={step}]")).to_contain_text("Left out")
        pulse = page.locator("[data-action=pulse]")
        await pulse.locator("select").select_option("3")
        await pulse.locator("button").tap()
        assert sum(here.plant.unit.pulses) == 0, "without consent nothing is asked for"
        await pulse.locator("input[type=checkbox]").check()
        await pulse.locator("button").tap()
        await expect(said).to_contain_text("Passed: valve 3: header", timeout=30_000)
        assert here.plant.unit.pulses == [0, 0, 1, 0]
        viewer = await watched(browser, **DESK)
        await viewer.page.goto(f"{here.url}/commission.html")
        await expect(viewer.page.locator("#step-h")).to_contain_text("Valves")
        await expect(viewer.page.locator("#entries")).to_contain_text("panel:kim")
        assert await viewer.page.locator("form.action").count() == 0
        assert seen.complaints == viewer.complaints == []


async def test_an_accessibility_engine_finds_nothing(
    tmp_path: Path, daemons: Daemons, browser: Browser
) -> None:
    """In both sizes, light and dark, with forms, a scan's table and the record in view."""
    async with installation(tmp_path, daemons) as here:
        seen = await opened(here, browser, **DESK)
        await seen.page.click("[data-key=begin]")
        await seen.page.click("details:has([data-action=scan]) summary")
        await seen.page.fill("[data-action=scan] [name='scan.last_unit']", "1")
        await seen.page.click("[data-action=scan] button")
        await seen.page.wait_for_selector("#candidates table", timeout=30_000)
        for scheme, size in itertools.product(("light", "dark"), (PHONE, DESK)):
            one = await opened(here, browser, color_scheme=scheme, bypass_csp=True, **size)
            await one.page.wait_for_selector("#candidates table")
            for summary in await one.page.locator("#actions summary").all():
                await summary.click()
            assert await violations(one) == []
            wide = await one.page.evaluate("document.documentElement.scrollWidth - innerWidth")
            assert wide <= 0, "the page scrolls sideways"
            await one.page.context.close()
