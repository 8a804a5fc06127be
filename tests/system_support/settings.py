"""Settings files for tests: a small collector on a simulated device, with what differs put over."""

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

Table = dict[str, Any]

BUS = "device"


def collector(name: str = "hall-1", **over: Any) -> Table:
    """One collector on unit 1 of the simulator's register map, quick enough for a test."""
    table: Table = {
        "name": name,
        "display_unit": "Pa",
        "poll_s": 0.2,
        "stale_after_s": 1.5,
        "settle_s": 0.0,
        "transmitter": {"bus": BUS, "register": 2, "kind": "float32", "span": ["0 Pa", "2500 Pa"]},
        "contacts": {
            "blower_running": {"bus": BUS, "address": 0},
            "smoke": {"bus": BUS, "address": 1},
            "door_open": {"bus": BUS, "address": 2},
        },
        "outputs": {
            "kind": "valves_one_shot",
            "bus": BUS,
            "coils": [16, 17, 18, 19],
            "one_shot_register": 100,
            "retry_s": 1.0,
        },
        "cleaning": {"low": "750 Pa", "high": "1000 Pa", "on_delay_s": 0.4},
        "pulsing": {"interval_s": 1.0, "on_time_s": 0.15},
        "alarms": {
            "low": "75 Pa",
            "replacement": "1250 Pa",
            "high": "1500 Pa",
            "deadband": "40 Pa",
            "override": {},
        },
    }
    return merged(table, over)


def placed(bus: str, unit: int) -> Table:
    """What to put over for a collector that is wholly at this place."""
    place = {"bus": bus, "unit": unit}
    contacts = dict.fromkeys(("blower_running", "smoke", "door_open"), place)
    return {"transmitter": place, "contacts": contacts, "outputs": place}


def valves_on_off(on_time_s: float = 0.15) -> Table:
    """What to put over for plain coils, whose pulses the daemon ends."""
    outputs = {"kind": "valves_on_off", "coils": [0, 1, 2, 3], "one_shot_register": None}
    return {"outputs": outputs, "pulsing": {"on_time_s": on_time_s}}


def header() -> Table:
    """What to put over where header pressure is read."""
    span = ["0 Pa", "1000000 Pa"]
    point = {"bus": BUS, "register": 12, "kind": "float32", "span": span}
    return {"header": {**point, "min": "4 bar", "max": "7.5 bar"}}


def tcp_bus(port: int, **over: Any) -> Table:
    """The bus to a device on 127.0.0.1."""
    bus = {"name": BUS, "kind": "tcp", "host": "127.0.0.1", "port": port, "timeout_s": 0.3}
    return {**bus, **over}


def serial_bus(port: Path) -> Table:
    """The bus to a device on a pseudo-terminal, which has no parity."""
    return {"name": BUS, "kind": "rtu", "port": str(port), "parity": "none", "timeout_s": 0.3}


def mqtt(port: int, **over: Any) -> Table:
    """The connection to a broker on 127.0.0.1."""
    return {"host": "127.0.0.1", "port": port, "measurement_every_s": 0.5, **over}


def write(directory: Path, bus: Table | Sequence[Table], *collectors: Table, **tables: Any) -> Path:
    """Write a whole settings file into ``directory``, with journal and socket there too."""
    document = {
        "site": {"name": "Test hall"},
        "bus": [bus] if isinstance(bus, dict) else list(bus),
        "collector": list(collectors),
        "journal": {"path": str(directory / "journal.db"), "flush_s": 0.5},
        "control": {"socket": str(directory / "control.sock")},
        **tables,
    }
    path = directory / "settings.toml"
    path.write_text("".join(_toml(document, ())), encoding="utf-8")
    return path


def merged(table: Table, over: Mapping[str, Any]) -> Table:
    """``table`` with ``over`` put over it, table by table; None takes a setting out."""
    result = dict(table)
    for key, value in over.items():
        if value is None:
            result.pop(key, None)
        elif isinstance(value, Mapping):
            result[key] = merged(result.get(key, {}), value)
        else:
            result[key] = value
    return result


def _toml(table: Table, path: tuple[str, ...]) -> list[str]:
    """Values are written as in JSON, which TOML reads the same; tables under their own heads."""
    lines: list[str] = []
    rest: list[str] = []
    for key, value in table.items():
        here = (*path, key)
        if isinstance(value, dict):
            rest += [f"[{'.'.join(here)}]\n", *_toml(value, here)]
        elif isinstance(value, list) and value and isinstance(value[0], dict):
            for each in value:
                rest += [f"[[{'.'.join(here)}]]\n", *_toml(each, here)]
        else:
            lines.append(f"{key} = {json.dumps(value)}\n")
    return lines + rest
