"""Compressed air of the pulses, and what a forecast of filter life needs to know."""

from typing import Annotated, Literal

from pydantic import Field

from dustcake.settings.base import Section

Litres = Annotated[float, Field(gt=0, le=10_000)]


class Air(Section):
    """How the air of a pulse is counted, and what it costs. Nothing is decided by it."""

    header_volume_l: Litres | None = Field(default=None, examples=[30.0])
    """Volume of the header tank with its pipes up to the valves, in litres. With it and a header
    transmitter each pulse is measured by the fall of header pressure. Left out: every pulse counts
    as rated."""
    rated_pulse_l: Litres = 40.0
    """Free air of one pulse, in litres, where it cannot be measured; from the valve's data sheet.
    Left out: what a 30 L header gives that falls from 90 to 70 psi (computed, not measured)."""
    reference: Literal["101.325 kPa", "100 kPa"] = "101.325 kPa"
    """Pressure at which free air is stated, always at 20 C: the standard atmosphere, or that of
    ISO 8778 (secondary source)."""
    energy_kwh_per_m3: float = Field(default=0.106, gt=0, le=10)
    """Electricity for one m3 of free air. 0.106 is 18 kW per 100 cfm, the middle of the 16 to 20
    that are usual at 100 psi (from memory)."""
    price_per_kwh: float = Field(default=0.12, ge=0, le=1000)
    """Price of electricity. 0.12 is the example of a national laboratory's open tool: put in your
    own."""
    currency: str = Field(default="USD", pattern=r"^[A-Z]{3}$")
    """Its currency, as three capital letters (ISO 4217)."""


class FilterLife(Section):
    """What a forecast of filter life leaves out."""

    seasoning_h: float = Field(default=40.0, ge=0, le=2000)
    """Blower hours after a filter change while dP rises because the first cake forms: no trend is
    seen in it (common practice, no source)."""
