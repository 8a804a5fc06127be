"""A daemon with a panel on a simulated collector, and browsers that look at it."""

import contextlib
import shutil
from collections.abc import AsyncIterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from playwright.async_api import Browser, Page, async_playwright, expect

from dustcake.adapters.panel.users import new_user, write_users
from dustcake.core.requests.definitions import Level
from system_support import settings
from system_support.broker import (
    PATIENCE_S,
    accepts_connections,
    free_port,
    until,
)
from system_support.device import Device, device, scenario
from system_support.processes import Daemon, Daemons

PASSWORD = "a long password"
CHROMIUM = ("chromium", "chromium-browser")
NOT_SERVED = "panel cannot be served"
expect.set_options(timeout=1000 * PATIENCE_S)


@dataclass
class Installation:
    """A running daemon whose panel is at ``url``."""

    settings: Path
    daemon: Daemon
    plant: Device
    url: str


@contextlib.asynccontextmanager
async def installation(
    directory: Path, daemons: Daemons, cake_kg_m2: float = 0.1, **over: Any
) -> AsyncIterator[Installation]:
    """``over``: tables of the settings file, those of the panel put over its own."""
    port = free_port()
    users = directory / "users.json"
    levels = {"vic": Level.VIEW, "ann": Level.ACKNOWLEDGE, "kim": Level.ADJUST}
    write_users(users, {name: new_user(name, level, PASSWORD) for name, level in levels.items()})
    panel = {"port": port, "users_file": str(users), **over.pop("panel", {})}
    upkeep = [{"name": "drum", "text": "Look into the dust drum", "every_days": 7}]
    collector = settings.collector(**settings.header(), upkeep=upkeep)
    async with device(scenario(cake_kg_m2)) as plant:
        bus = settings.tcp_bus(plant.port)
        file = settings.write(directory, bus, collector, panel=panel, **over)
        daemon = await daemons.start(file)
        await until(
            lambda: accepts_connections(port) or bool(daemon.logged(NOT_SERVED)), "the panel"
        )
        yield Installation(file, daemon, plant, f"http://127.0.0.1:{port}")


@pytest.fixture
async def browser() -> AsyncIterator[Browser]:
    """Debian's Chromium: nothing is downloaded."""
    program = next(filter(None, map(shutil.which, CHROMIUM)), None)
    assert program is not None, "no Chromium here; on Debian: sudo apt install chromium"
    async with async_playwright() as playwright:
        browser = await playwright.chromium.launch(
            executable_path=program, args=["--no-sandbox", "--disable-background-networking"]
        )
        yield browser
        await browser.close()


class Watched:
    """A page, with everything it complained of and everything it asked for."""

    def __init__(self, page: Page) -> None:
        self.page = page
        self.complaints: list[str] = []
        self.asked: list[str] = []
        page.on("console", lambda said: self._said(said.type, said.text))
        page.on("pageerror", lambda error: self.complaints.append(str(error)))
        page.on("request", lambda request: self.asked.append(request.url))

    def _said(self, kind: str, text: str) -> None:
        if kind in ("error", "warning"):
            self.complaints.append(text)

    async def shown(self, url: str) -> None:
        """Return when the page shows the collector."""
        await self.page.goto(url)
        await self.page.wait_for_selector("main:not([hidden])")
        await self.page.wait_for_selector("#trend-picture > *")

    async def sign_in(self, name: str) -> None:
        """As a person does."""
        await self.page.click("#sign-in")
        await self.page.fill("#user", name)
        await self.page.fill("#password", PASSWORD)
        await self.page.press("#password", "Enter")
        await expect(self.page.locator("#sign-in")).to_contain_text(name)


async def watched(browser: Browser, **options: Any) -> Watched:
    """A new page in a context of its own."""
    context = await browser.new_context(**options)
    context.set_default_timeout(1000 * PATIENCE_S)
    return Watched(await context.new_page())
