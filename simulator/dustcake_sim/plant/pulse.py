"""What a pulse takes off a row, and where that goes."""

from __future__ import annotations

from collections.abc import Sequence

from dustcake_sim.plant.media import Media
from dustcake_sim.plant.record import record


@record
class Drum:
    """The drum under the hopper, and the dust that does not stay in it."""

    capacity_kg: float | None = None
    """Dust it holds, kg, until it is full up into the hopper; None: never full."""
    thrown_share: float = 0.0
    """Share of the dust off a row that the air carries onto its neighbours at full flow."""
    raised_share: float = 0.0
    """Further share, carried onto all rows, once the drum is full."""


NO_DRUM = Drum()
"""A drum that is emptied in time, under filters whose dust falls straight into it."""


def removed_share(
    media: Media,
    header_gauge_pa: float,
    *,
    cake_kg_m2: float = 1.0,
    dp_pa: float = 0.0,
    stickiness: float = 1.0,
    row_factor: float = 1.0,
) -> float:
    """Share of a row's cake that a full pulse removes; 0 to 1.

    Proportional to the pressure the pulse has left after that of the air drawn through, as Leith
    and Ellenbecker found (Atmospheric Environment 14, 1980; abstract), and level above the
    reference header pressure, where more mostly wastes air. A sticky cake comes off less readily,
    and so does a thin one if the media says so. `row_factor`: this row's own share of the usual.
    """
    strength = min(max(header_gauge_pa / media.reference_gauge_pa, 0.0), 1.0)
    if media.pulse_pressure_pa is not None:
        strength = max(0.0, strength - max(0.0, dp_pa) / media.pulse_pressure_pa)
    if media.half_load_kg_m2 > 0.0:
        strength *= cake_kg_m2 / (cake_kg_m2 + media.half_load_kg_m2)
    return min(1.0, media.removed_per_pulse * strength * row_factor / stickiness)


def effect(media: Media, open_s: float) -> float:
    """How much of its full effect a pulse has had after `open_s` seconds; 0 to 1."""
    if open_s <= 0.0:
        return 0.0
    return 1.0 if open_s >= media.full_pulse_s else open_s / media.full_pulse_s


def settle_dust(
    drum: Drum, drum_kg: float, cakes: Sequence[float], row: int, off_kg_m2: float, speed: float
) -> tuple[list[float], float]:
    """Cakes after `off_kg_m2` came off `row`, and what of it falls into the drum, kg/m2 of a row.

    `speed`: of the blower, 0 to 1. Without flow all of it falls.
    """
    after = list(cakes)
    after[row] -= off_kg_m2
    thrown = off_kg_m2 * drum.thrown_share * speed
    full = drum.capacity_kg is not None and drum_kg >= drum.capacity_kg
    raised = off_kg_m2 * drum.raised_share * speed if full else 0.0
    if thrown > 0.0:
        # The only row of all has no neighbour: what it throws it takes back.
        neighbours = [each for each in (row - 1, row + 1) if 0 <= each < len(after)] or [row]
        for each in neighbours:
            after[each] += thrown / len(neighbours)
    if raised > 0.0:
        after = [cake + raised / len(after) for cake in after]
    return after, off_kg_m2 - thrown - raised
