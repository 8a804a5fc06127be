"""A daemon for the panel that tells what a test wants it to."""

from collections.abc import Mapping, Sequence
from typing import Any

from dustcake.adapters.panel import Fields, SourceError
from dustcake.core.minutes import Spread
from dustcake.ports import Trend
from dustcake.units import PressureUnit, show

TREND = Trend(
    since_utc_s=1_700_000_000.0,
    until_utc_s=1_700_003_600.0,
    width_s=60.0,
    parts=[
        (1_700_000_000.0, Spread(500.0, 700.0, 900.0)),
        (1_700_000_060.0, Spread(600.0, 800.0, 1000.0)),
        (1_700_000_600.0, Spread(600.0, 800.0, 1000.0)),
    ],
)


class FakeSource:
    def __init__(self) -> None:
        self.site = "Test <hall>"
        self.collectors: Mapping[str, PressureUnit] = {
            "hall-1": PressureUnit.PA,
            "hall-2": PressureUnit.INH2O,
        }
        self.dp_pa = 812.0
        self.asked: list[tuple[str, Fields, str]] = []
        self.broken = False

    def status(self, collector: str, unit: PressureUnit) -> Mapping[str, Any]:
        points = {"low": 750.0, "high": 1000.0, "replacement": 1250.0}
        return {
            "collector": collector,
            "dp": {"value": self.dp_pa, "display": show(self.dp_pa, unit)},
            "set_points": {name: {"value": pa} for name, pa in points.items()},
        }

    async def request(self, collector: str, fields: Fields, by: str, unit: PressureUnit) -> Fields:
        self.asked.append((collector, fields, by))
        return {"accepted": True, "reason": "done"}

    async def trend(self, collector: str, length_s: float) -> Trend:
        if self.broken:
            raise SourceError("the disk reports an error")
        return TREND

    async def log_book(self, collector: str, unit: PressureUnit) -> Sequence[Fields]:
        return [{"utc": None, "text": "note by kim: <b>"}]

    def settings(self, collector: str) -> Sequence[Fields]:
        return [{"subject": "daemon", "text": "site x", "caution": False}]

    async def commission(self, collector: str, fields: Fields, by: str) -> Fields:
        self.asked.append((collector, fields, by))
        return {"accepted": True, "reason": "done", "view": {}}

    async def commission_report(self, collector: str, form: str) -> bytes:
        if self.broken:
            raise SourceError("there is no record yet")
        return f"{collector} {form}".encode()
