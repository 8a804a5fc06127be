"""The panel: a page for people, served by the daemon. Here is what it needs to know of the daemon;
the runtime provides it. Only ``web`` and ``people`` import the web libraries, so that all else
works without the extra `panel`."""

from collections.abc import Mapping, Sequence
from typing import Any, Protocol

from dustcake.ports import Trend
from dustcake.units import PressureUnit

Fields = dict[str, Any]


class SourceError(Exception):
    """Something cannot be shown now; the message says why, and what to do."""


class Source(Protocol):
    """The daemon, as the panel sees it."""

    site: str
    """Name of the plant or hall."""
    collectors: Mapping[str, PressureUnit]
    """The collectors, each with the unit it is shown in."""

    def status(self, collector: str, unit: PressureUnit) -> Mapping[str, Any]:
        """All there is to say of the collector now, in words of ``unit``."""
        ...

    async def request(self, collector: str, fields: Fields, by: str, unit: PressureUnit) -> Fields:
        """Put a request to the collector, for ``by``; what became of it, in words of ``unit``."""
        ...

    async def trend(self, collector: str, length_s: float) -> Trend:
        """The trend of dP over the time up to now. Raises SourceError."""
        ...

    async def log_book(self, collector: str, unit: PressureUnit) -> Sequence[Fields]:
        """The newest entries, newest first: ``utc`` and ``text``. Raises SourceError."""
        ...

    def settings(self, collector: str) -> Sequence[Fields]:
        """What was understood of the settings: ``subject``, ``text``, ``caution``."""
        ...

    async def commission(self, collector: str, fields: Fields, by: str) -> Fields:
        """A piece of commissioning, requested by ``by``: its outcome, and how far all is."""
        ...

    async def commission_report(self, collector: str, form: str) -> bytes:
        """The report of commissioning, ``html`` or ``pdf``. Raises SourceError."""
        ...
