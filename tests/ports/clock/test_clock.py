"""The computer's clocks."""

import asyncio
import time

import pytest

from dustcake.adapters.host import SystemClock
from dustcake.ports import Clock

ONE_DAY_S = 86_400.0


def test_now_is_now_on_both_clocks() -> None:
    system: Clock = SystemClock()
    before = (time.monotonic(), time.time())
    at = system.now()
    after = (time.monotonic(), time.time())
    assert before[0] <= at.mono_s <= after[0]
    assert at.utc_s is not None
    assert before[1] <= at.utc_s <= after[1]


@pytest.mark.parametrize("utc_s", [0.0, 1_735_689_600.0 - 0.001])
def test_utc_is_unknown_while_the_clock_is_not_set(
    monkeypatch: pytest.MonkeyPatch, utc_s: float
) -> None:
    monkeypatch.setattr("dustcake.adapters.host.time.time", lambda: utc_s)
    assert SystemClock().now().utc_s is None


def test_utc_is_believed_from_the_earliest_date_on(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("dustcake.adapters.host.time.time", lambda: 1_735_689_600.0)
    assert time.gmtime(1_735_689_600)[:3] == (2025, 1, 1)
    assert SystemClock().now().utc_s == 1_735_689_600.0


async def test_sleep_until_is_never_early_and_not_late() -> None:
    system = SystemClock()
    for delay_s in (0.001, 0.02, 0.1):
        due_s = time.monotonic() + delay_s
        await system.sleep_until(due_s)
        assert 0.0 <= time.monotonic() - due_s < 1.0


async def test_sleep_until_a_past_time_returns_at_once() -> None:
    async with asyncio.timeout(1.0):
        await SystemClock().sleep_until(time.monotonic() - ONE_DAY_S)


async def test_a_timer_that_fires_early_is_set_again(monkeypatch: pytest.MonkeyPatch) -> None:
    slept: list[float] = []
    now_s = [100.0]

    async def early(delay_s: float) -> None:
        slept.append(delay_s)
        now_s[0] += delay_s * (0.5 if len(slept) == 1 else 1.0)

    monkeypatch.setattr("dustcake.adapters.host.time.monotonic", lambda: now_s[0])
    monkeypatch.setattr("dustcake.adapters.host.asyncio.sleep", early)
    await SystemClock().sleep_until(108.0)
    assert slept == [8.0, 4.0]
