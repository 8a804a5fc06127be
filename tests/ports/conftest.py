"""Nothing may be left running, and nothing may reach the loop's exception handler."""

import asyncio
from collections.abc import AsyncIterator
from typing import Any

import pytest


@pytest.fixture(autouse=True)
async def tidy_loop() -> AsyncIterator[None]:
    loop = asyncio.get_running_loop()
    unhandled: list[dict[str, Any]] = []
    loop.set_exception_handler(lambda _, context: unhandled.append(context))
    before = asyncio.all_tasks()
    yield
    leaked = asyncio.all_tasks() - before - {asyncio.current_task()}
    loop.set_exception_handler(None)
    assert not leaked, f"tasks left running: {leaked}"
    assert not unhandled, f"errors nobody handled: {unhandled}"
