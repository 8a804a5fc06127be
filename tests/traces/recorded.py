"""Recorded traces, and settings in which they are replayed."""

import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from dustcake.__main__ import main

SETTINGS = """
[[bus]]
kind = "tcp"
name = "line-1"
host = "127.0.0.1"

[[collector]]
name = "welding-1"
display_unit = "Pa"
settle_s = 0
transmitter = {{ bus = "line-1", register = 0, kind = "float32", span = ["0 Pa", "2500 Pa"] }}
outputs = {{ kind = "valves_one_shot", bus = "line-1", coils = [0, 1, 2, 3] }}
{collector}

[collector.cleaning]
low = "750 Pa"
high = "1000 Pa"
on_delay_s = 0
finish_cycle = false
{cleaning}
"""

BLOWER = 'contacts.blower_running = { bus = "line-1", address = 0 }\n'
SMOKE = 'contacts.smoke = { bus = "line-1", address = 1 }\n'
DOOR = 'contacts.door_open = { bus = "line-1", address = 2 }\n'
HEADER = (
    'header = { bus = "line-1", register = 2, kind = "float32", span = ["0 bar", "10 bar"], '
    'min = "4 bar", max = "7.5 bar" }\n'
)


def settings_text(collector: str = "", cleaning: str = "") -> str:
    return SETTINGS.format(collector=collector, cleaning=cleaning)


@dataclass
class Replayed:
    """What one call of `dustcake replay --json` left behind."""

    code: int
    objects: list[dict[str, Any]]
    errors: str
    summary: dict[str, Any] = field(default_factory=dict)

    def of(self, *names: str) -> list[dict[str, Any]]:
        return [each for each in self.objects if each["event"] in names]

    def when(self, *names: str) -> list[tuple[float, str]]:
        return [(each["t_s"], each["event"]) for each in self.of(*names)]


class Bench:
    """Replays text as a trace, by the command itself."""

    def __init__(self, directory: Path, capsys: Any) -> None:
        self.directory = directory
        self.capsys = capsys

    def run(self, *arguments: str) -> tuple[int, str, str]:
        code = main(["replay", *arguments])
        printed = self.capsys.readouterr()
        return code, printed.out, printed.err

    def files(self, trace: str | bytes, settings: str | None = None) -> tuple[str, str]:
        recorded, chosen = self.directory / "trace.csv", self.directory / "settings.toml"
        recorded.write_bytes(trace.encode() if isinstance(trace, str) else trace)
        chosen.write_text(settings_text() if settings is None else settings, encoding="utf-8")
        return str(recorded), str(chosen)

    def replay(self, trace: str | bytes, *options: str, settings: str | None = None) -> Replayed:
        recorded, chosen = self.files(trace, settings)
        code, out, err = self.run(recorded, "--settings", chosen, "--json", *options)
        replayed = Replayed(code, [json.loads(line) for line in out.splitlines()], err)
        if code == 0:
            replayed.summary = replayed.objects[-1]
            assert replayed.summary["event"] == "summary"
        return replayed


def table(header: str, *rows: str) -> str:
    return "\n".join([header, *rows, ""])


def each_second(*dp_pa: object, column: str = "dp_pa") -> str:
    """A row a second."""
    return table(f"time,{column}", *(f"{t},{dp}" for t, dp in enumerate(dp_pa)))
