"""What is reported of a metric, and when a new value is worth a message."""

from dustcake.core.record import record
from dustcake.publish.sparkplug.payload import (
    QUALITY,
    UNIT,
    DataType,
    Metric,
    Property,
    QualityCode,
    Value,
)


@record
class Report:
    """The value of one metric at ``utc_s``.

    ``value`` None: there is none now. ``deadband``: a number that differs by less is not reported.
    ``gist``: for a text with numbers in it that change all the time, what must change instead.
    """

    name: str
    datatype: DataType
    value: Value | None
    utc_s: float
    quality: QualityCode = QualityCode.GOOD
    unit: str | None = None
    deadband: float = 0.0
    gist: str | None = None

    def differs(self, told: "Report") -> bool:
        """Whether it is worth telling after ``told``."""
        if self.quality is not told.quality or self.gist != told.gist:
            return True
        if self.gist is not None or self.value == told.value:
            return False
        if self.value is None or told.value is None or isinstance(self.value, str | bool):
            return True
        return abs(self.value - float(told.value)) >= self.deadband

    def in_birth(self, alias: int | None) -> Metric:
        """As a birth has it: name, alias, type and all properties."""
        properties = self._quality
        if self.unit is not None:
            properties = (*properties, Property(UNIT, DataType.STRING, self.unit))
        at_ms = milliseconds(self.utc_s)
        return Metric(self.name, alias, at_ms, self.datatype, self.value, properties=properties)

    def in_data(self, alias: int, *, is_historical: bool) -> Metric:
        """As data have it: by alias alone."""
        return Metric(
            None,
            alias,
            milliseconds(self.utc_s),
            self.datatype,
            self.value,
            tells_type=False,
            is_historical=is_historical,
            properties=self._quality,
        )

    @property
    def _quality(self) -> tuple[Property, ...]:
        return (Property(QUALITY, DataType.INT32, self.quality.value),)


def milliseconds(utc_s: float) -> int:
    """Time as Sparkplug has it: milliseconds since 1970-01-01 UTC."""
    return round(utc_s * 1000)
