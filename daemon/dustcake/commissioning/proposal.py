"""Set points proposed from the clean dP and the media.

Common practice, no source: on-demand cleaning stops some way above the dP of clean, seasoned
filters, so that a thin cake stays on them, and starts 0.5 to 1 inH2O above that. Usual ranges are 2
to 3 inH2O for the low one and 3 to 4 inH2O for the high one; filters are replaced at 5 to 6 inH2O.
A proposal to begin with, to be trimmed when the collector has run for some weeks.
"""

from enum import StrEnum

from dustcake.core.record import record
from dustcake.units import PA_PER, PressureUnit

INCH_PA = PA_PER[PressureUnit.INH2O]
USUAL_LOW, USUAL_HIGH, USUAL_REPLACEMENT = (2.0, 3.0), (3.0, 4.0), 5.0
ROUNDED_TO = 0.05  # inH2O


class Media(StrEnum):
    """What the filters are made of, as far as it decides how much cake they should keep."""

    DEPTH = "cellulose or blend"
    SURFACE = "surface-loading (nanofibre, membrane, spunbond)"


# Above clean dP, and from low to high; inH2O.
_STEPS = {Media.DEPTH: (1.5, 1.0), Media.SURFACE: (1.0, 0.75)}


@record
class Proposal:
    """What is proposed, Pa. ``cautions``: what is unusual about it."""

    low_pa: float
    high_pa: float
    replacement_pa: float
    rule: str
    cautions: tuple[str, ...]


def propose(clean_pa: float, media: Media) -> Proposal:
    """Set points for filters that read ``clean_pa`` when seasoned and clean, at working flow."""
    above, band = _STEPS[media]
    low = _rounded(clean_pa / INCH_PA + above)
    high = _rounded(low + band)
    replacement = max(USUAL_REPLACEMENT, _rounded(high + 1.0))
    rule = (
        f"low = clean + {above:g} inH2O, high = low + {band:g} inH2O, replacement at "
        f"{USUAL_REPLACEMENT:g} inH2O or 1 inH2O above high, whichever is more ({media.value} "
        "media; "
        "common practice, no source)"
    )
    cautions = (
        _beside("low", low, USUAL_LOW),
        _beside("high", high, USUAL_HIGH),
        "filter replacement: see that the fan still draws its flow at that dP"
        if replacement > USUAL_REPLACEMENT
        else "",
    )
    return Proposal(
        low * INCH_PA, high * INCH_PA, replacement * INCH_PA, rule, tuple(filter(None, cautions))
    )


def _rounded(inches: float) -> float:
    return round(round(inches / ROUNDED_TO) * ROUNDED_TO, 2)


def _beside(name: str, inches: float, usual: tuple[float, float]) -> str:
    if usual[0] <= inches <= usual[1]:
        return ""
    return (
        f"{name} is outside the usual {usual[0]:g} to {usual[1]:g} inH2O: ask the collector's maker"
    )
