"""A commissioning without a daemon: what its core answers and reads is what a test says."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

from dustcake.core.inputs import Contacts, Stamp
from dustcake.core.reading import Quality, Sample
from dustcake.core.record import replace
from dustcake.core.state import State, first_state
from dustcake.publish.request_json import InvalidRequest, ParsedRequest
from dustcake.runtime.commissioning import Commissioning
from dustcake.runtime.request_service import Requester
from dustcake.settings.load import parse_settings
from dustcake.settings.setpoints import to_setpoints

CONFIG = Path(__file__).parents[2] / "config" / "simulated.toml"
FIRST_UTC_S = 1_800_000_000.0


class Time:
    """A clock that a test moves. ``is_set``: whether it knows the time of day."""

    def __init__(self) -> None:
        self.mono_s = 100.0
        self.is_set = True

    def now(self) -> Stamp:
        return Stamp(self.mono_s, FIRST_UTC_S + self.mono_s if self.is_set else None)

    async def sleep_until(self, mono_s: float) -> None:
        self.mono_s = mono_s


class Core:
    """Stands in for the way to the core. ``refusal``: what it says to everything, if anything."""

    def __init__(self) -> None:
        self.asked: list[tuple[Any, str]] = []
        self.refusal = ""

    async def answer(
        self,
        asked: ParsedRequest | InvalidRequest,
        requester: Requester,
    ) -> bytes:
        assert isinstance(asked, ParsedRequest), asked
        self.asked.append((asked.request, requester.by))
        told = {"accepted": not self.refusal, "reason": self.refusal or "done"}
        return json.dumps({**told, "change": 7, "points": []}).encode()


class Conducted:
    """One commissioning, and hands on everything around it."""

    def __init__(self, directory: Path, change: Callable[[str], str] = lambda text: text) -> None:
        journal = f'path = "{directory / "journal.db"}"'
        text = CONFIG.read_text().replace('path = "dustcake-simulated.db"', journal)
        settings = parse_settings(change(text))
        self.file = directory / "journal-commissioning-welding-cell.json"
        self.time, self.core = Time(), Core()
        collector = settings.collectors[0]
        self.setpoints = to_setpoints(collector)
        self.state: State = first_state(self.setpoints, self.time.now())
        self.made = Commissioning(
            settings, collector, self.core.answer, lambda: self.state, {}, self.time
        )
        self.sees(0.0)

    def sees(self, dp_pa: float | None, for_s: float = 0.0, **contacts: bool) -> None:
        """A reading now, or one each half second for so long."""
        quality = Quality.FAILURE if dp_pa is None else Quality.GOOD
        for _ in range(max(1, round(2 * for_s))):
            self.time.mono_s += 0.5
            seen = Contacts(**{**_as_dict(self.state.contacts), **contacts})
            blower = replace(self.state.blower, running=seen.blower_running)
            sample = Sample(self.time.now(), dp_pa, quality)
            self.state = replace(self.state, sample=sample, contacts=seen, blower=blower)
            self.made.observe()

    def has_on_disk(self, text: bytes) -> bool:
        """Whether the stored record has this in it."""
        return self.file.exists() and text in self.file.read_bytes()

    async def asks(self, **asked: Any) -> dict[str, Any]:
        return await self.made.answer(asked, "local:kim")

    async def does(self, step: str, action: str, **fields: object) -> str:
        """Begin something; the refusal, or nothing."""
        told = await self.asks(commission="do", step=step, action=action, fields=fields)
        return "" if told["accepted"] else str(told["reason"])

    async def skips(self, *steps: str) -> None:
        for step in steps:
            assert await self.does(step, "skip", why="not of this test") == ""

    async def last(self, step: str) -> dict[str, Any]:
        """The newest entry of a step."""
        view = (await self.asks(commission="show"))["view"]
        entry: dict[str, Any] = next(s for s in view["steps"] if s["step"] == step)["entries"][-1]
        return entry


def _as_dict(contacts: Contacts) -> dict[str, bool | None]:
    names = ("blower_running", "smoke", "door_open", "process_running", "stop", "drum_full")
    return {name: getattr(contacts, name) for name in names}
