"""What the panel needs to know of the daemon; the runtime provides it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

from dustcake.units import PressureUnit

Fields = dict[str, Any]


@dataclass(frozen=True, slots=True)
class TrendColumns:
    """A trend for a screen, pressures in pascals. Each list has an entry for each part of
    ``width_s`` seconds that something is known of; ``utc_s`` is when it begins, the others are None
    where nothing was read."""

    since_utc_s: float
    until_utc_s: float
    width_s: float
    utc_s: list[float]
    dp_min_pa: list[float | None]
    dp_mean_pa: list[float | None]
    dp_max_pa: list[float | None]
    header_mean_pa: list[float | None]


class SourceError(Exception):
    """Something cannot be shown now; the message says why, and what to do."""


class Source(Protocol):
    """The daemon, as the panel sees it."""

    @property
    def site(self) -> str:
        """Name of the plant or hall."""
        ...

    @property
    def collectors(self) -> Mapping[str, PressureUnit]:
        """The collectors, each with the unit it is shown in."""
        ...

    def status(self, collector: str, unit: PressureUnit) -> Mapping[str, Any]:
        """All there is to say of it now, in words of ``unit``."""
        ...

    async def request(self, collector: str, fields: Fields, by: str, unit: PressureUnit) -> Fields:
        """Put a request to it, for ``by``; what became of it, in words of ``unit``."""
        ...

    async def trend(self, collector: str, length_s: float) -> TrendColumns:
        """The time up to now. Raises SourceError."""
        ...

    async def log_book(self, collector: str, unit: PressureUnit) -> Sequence[Fields]:
        """The newest entries, newest first. Raises SourceError."""
        ...

    def settings(self, collector: str) -> Sequence[Fields]:
        """What was understood of the settings: ``subject``, ``text``, ``caution``."""
        ...

    async def commission(self, collector: str, fields: Fields, by: str) -> Fields:
        """A piece of commissioning, requested by ``by``: its outcome, and how far all is."""
        ...

    async def commission_report(self, collector: str, form: str) -> bytes:
        """The report of it, ``html`` or ``pdf``. Raises SourceError."""
        ...
