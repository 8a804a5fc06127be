"""A scan as an action of commissioning: from what was asked to what is put on record."""

from collections.abc import Callable
from dataclasses import asdict
from typing import Any

from dustcake.adapters.modbus import BusLine
from dustcake.commissioning.scan import MOST_SHOWN, Candidate, candidates
from dustcake.commissioning.seen import Outcome, Watched, failed, noted
from dustcake.commissioning.steps.transmitter import APPLIED, REST, last_scan
from dustcake.runtime.scanning import Bounds, scan
from dustcake.settings.buses import WordTable


async def scanned(bus: BusLine, watched: Watched, told: Callable[[str], None]) -> Outcome:
    """Go through the bus, and judge what each place may mean."""
    fields = watched.fields
    tables = tuple(WordTable) if fields["table"] == "both" else (WordTable(str(fields["table"])),)
    bounds = Bounds(
        range(_whole(watched, "first_unit"), _whole(watched, "last_unit") + 1),
        tables,
        range(_whole(watched, "first_register"), _whole(watched, "last_register") + 1),
    )
    found = await scan(bus, bounds, told)
    if not found.words:
        return failed(
            f"nobody answers on bus {bus.name} at units {bounds.units.start} to "
            f"{bounds.units.stop - 1}: check supply, wiring (exchange A and B), bit rate and "
            "parity",
            candidates=[],
            registers={},
        )
    applied = fields["pressure"] == APPLIED
    rest = last_scan(watched, REST) if applied else None
    manometer = fields.get("manometer")
    ranked = candidates(
        bus.name,
        watched.site.collector.transmitter.span,
        found.words,
        rest=None if rest is None else {k: tuple(v) for k, v in rest["registers"].items()},
        reference_pa=None if manometer is None else float(manometer),
        at_rest=not applied and watched.before.blower_running is not True,
    )
    plausible = sum(one.is_plausible for one in ranked)
    units = sorted({int(place.split()[1]) for place in found.words})
    words = (
        f"{plausible} of {len(ranked)} meanings are plausible; units that answer: "
        f"{', '.join(map(str, units))}"
    )
    return noted(
        words,
        candidates=[_told(one, watched) for one in ranked[:MOST_SHOWN]],
        registers={place: list(row) for place, row in found.words.items()},
    )


def _whole(watched: Watched, name: str) -> int:
    return int(float(watched.fields[name]))


def _told(one: Candidate, watched: Watched) -> dict[str, Any]:
    shown = None if one.pa is None else watched.site.shown(one.pa)
    return {**asdict(one), "raw": list(one.raw), "shown": shown}
