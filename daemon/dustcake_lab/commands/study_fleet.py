"""The list of a fleet's collectors, for `dustcake study --fleet`."""

import argparse
import csv
import json
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from dustcake.cli.common import UsageError, fail, settings_in
from dustcake.settings.setpoints import to_setpoints
from dustcake_lab.commands.progress import study_progress
from dustcake_lab.commands.study import AIR_L, FLOW_M3S

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from dustcake.settings.model import Settings
    from dustcake_lab.study.fleet import FleetResult, Member
    from dustcake_lab.study.jobs import Plan

COLUMNS = ("trace", "settings", "collector", "flow_m3s", "air_l")


def study_fleet(
    list_file: Path,
    plan: "Plan",
    air_l: float | None,
    fan_efficiency: float,
    zone: "ZoneInfo | None",
    *,
    as_json: bool,
) -> None:
    """Study every collector on the list, and print what came of it. Raises StudyError where that
    is nothing at all."""
    from dustcake_lab.study.fleet import fleet, fleet_json, fleet_lines
    from dustcake_lab.study.jobs import StudyError

    listed = members(list_file, air_l, fan_efficiency)
    with study_progress(plan.draws, None):
        found = fleet(listed, plan, zone=zone)
    as_lines = (json.dumps(each, allow_nan=False) for each in fleet_json(found))
    print("\n".join(as_lines if as_json else fleet_lines(found)), flush=True)
    if all(each.verdict is None for each in found):
        raise StudyError(f"{list_file}: no collector on this list could be studied, see above")


def members(
    list_file: Path, air_l: float | None, fan_efficiency: float
) -> "list[Member | FleetResult]":
    """The collectors on the list; paths are relative to it. One whose settings are not in order is
    refused alone. Raises StudyError, which names the line."""
    from dustcake_lab.study.fleet import FleetResult, Member
    from dustcake_lab.study.jobs import StudyError

    rows = csv.DictReader(_lines(list_file))
    names = tuple(rows.fieldnames or ())
    if not {"trace", "settings"} <= set(names) or not set(names) <= set(COLUMNS):
        raise StudyError(
            f"{list_file}: line 1: {', '.join(names) or 'nothing'}: the columns are trace and "
            f"settings, and if wanted {', '.join(COLUMNS[2:])}"
        )
    known: dict[Path, Settings] = {}
    found: list[Member | FleetResult] = []
    for row in rows:
        where = f"{list_file}: line {rows.line_num}"
        trace, settings_file, collector, flow, air = (row.get(name) or "" for name in COLUMNS)
        path = list_file.parent / settings_file
        try:
            settings = known.get(path) or settings_in(path)
        except UsageError as error:
            fail(str(error))
            why = f"{where}: settings: {settings_file!r}: not in order, see above"
            found.append(FleetResult(collector or trace, list_file.parent / trace, refused=why))
            continue
        known[path] = settings
        chosen = [c for c in settings.collectors if collector in ("", c.name)]
        if len(chosen) != 1:
            all_names = ", ".join(each.name for each in settings.collectors)
            raise StudyError(f"{where}: collector: {collector!r}: name one of {all_names}")
        litres = _number(air, f"{where}: air_l", AIR_L) or air_l
        found.append(
            Member(
                chosen[0].name,
                list_file.parent / trace,
                to_setpoints(chosen[0]),
                _number(flow, f"{where}: flow_m3s", FLOW_M3S),
                None if litres is None else litres / 1000.0,
                fan_efficiency,
            )
        )
    if not found:
        raise StudyError(f"{list_file}: no line after the header: name a trace on each")
    return found


def _lines(list_file: Path) -> list[str]:
    from dustcake_lab.study.jobs import StudyError

    try:
        with list_file.open(encoding="utf-8-sig", errors="replace", newline="") as file:
            return file.readlines()
    except OSError as error:
        raise StudyError(f"{list_file}: {error.strerror}; name a list this user may read") from None


def _number(text: str, where: str, read: Callable[[str], float]) -> float | None:
    from dustcake_lab.study.jobs import StudyError

    if not text.strip():
        return None
    try:
        return read(text)
    except argparse.ArgumentTypeError as error:
        raise StudyError(f"{where}: {error}, or leave it empty") from None
