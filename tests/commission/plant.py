"""A collector to be commissioned: new filters, blower by hand, and a person's hands on it."""

import asyncio
import json
from contextlib import redirect_stderr, redirect_stdout
from io import StringIO
from pathlib import Path
from typing import Any

from dustcake.__main__ import main
from dustcake.cli.commission.terminal import CommissionClient
from dustcake_sim.scenario import Scenario
from system_support import settings
from system_support.device import scenario
from system_support.processes import Daemon, Done

TRIED = ("smoke", "transmitter_fault", "fieldbus_lost")
CLEAN_DRAG_PA_S_M, SEASONED_DRAG_PA_S_M = 16_000.0, 32_000.0


def new_filters(dust_g_m3: float = 0.0) -> Scenario:
    """The welding cell with new filters; its blower is run over the fieldbus."""
    story = scenario(0.0, dust_g_m3, blower=False)
    media = story.plant.media.model_copy(
        update={"new_drag_pa_s_m": CLEAN_DRAG_PA_S_M, "seasoning_kg_m2": 0.02}
    )
    plant = story.plant.model_copy(update={"media": media})
    return story.model_copy(update={"plant": plant, "blower_control": "remote"})


def write_settings(directory: Path, port: int, **over: Any) -> Path:
    """Settings as they are before commissioning: cleaning off, waits short for a test."""
    collector = settings.merged(
        settings.collector(**settings.header()),
        {
            "blower": {"request": "hand", "coil": {"bus": settings.BUS, "coil": 33}},
            "cleaning": {"mode": "off"},
            "pulsing": {"interval_s": 1.5},
            "zeroing": {"blower_off_s": 2.0, "average_s": 2.0},
            "settle_s": 1.0,
            "requests": {"low": ["400 Pa", "1300 Pa"], "high": ["600 Pa", "1400 Pa"]},
            "alarms": {
                "replacement": "1800 Pa",
                "high": "2200 Pa",
                "override": {name: {"on_delay_s": 1.0, "off_delay_s": 1.0} for name in TRIED},
            },
            **over,
        },
    )
    return settings.write(directory, settings.tcp_bus(port), collector)


async def commission(settings_file: Path, *arguments: object) -> Done:
    """`dustcake commission` with these arguments, run in this process."""
    out, err = StringIO(), StringIO()

    def run() -> int:
        with redirect_stdout(out), redirect_stderr(err):
            return main(["commission", "--settings", str(settings_file), *map(str, arguments)])

    code = await asyncio.to_thread(run)
    return Done(code, out.getvalue(), err.getvalue())


class Fitter:
    """A person at the collector, with a terminal."""

    def __init__(self, daemon: Daemon) -> None:
        self.daemon = daemon
        # As the command does it, but without a process for each question.
        self._client = CommissionClient(daemon.settings.parent / "control.sock", "hall-1")

    async def says(self, *arguments: object) -> Done:
        """`dustcake commission` with these arguments."""
        return await commission(self.daemon.settings, *arguments)

    async def view(self) -> dict[str, Any]:
        """All steps, and what is on record of them."""
        return await asyncio.to_thread(self._client.view)

    async def state(self, step: str) -> str:
        """How far a step is."""
        view = await self.view()
        states: dict[str, str] = {one["step"]: one["state"] for one in view["steps"]}
        return states[step]

    async def tries(self, step: str, action: str, **fields: object) -> dict[str, Any]:
        """Do something; accepted or not."""
        return await asyncio.to_thread(self._client.do, step, action, dict(fields))

    async def does(self, step: str, action: str, **fields: object) -> dict[str, Any]:
        """Do something that is not refused; its entry."""
        done = await self.tries(step, action, **fields)
        assert done["accepted"], done
        entry: dict[str, Any] = done["entry"]
        return entry

    async def refusal(self, step: str, action: str, **fields: object) -> str:
        """Why something is refused."""
        done = await self.tries(step, action, **fields)
        assert not done["accepted"], done
        reason: str = done["reason"]
        return reason

    async def answers(self, directory: Path, *answers: tuple[str, str, dict[str, object]]) -> Done:
        """Several in a row, from a file."""
        file = directory / "answers.jsonl"
        lines = [json.dumps({"step": s, "action": a, "fields": f}) for s, a, f in answers]
        file.write_text("\n".join(lines))
        return await self.says("--answers", file, "--json")
