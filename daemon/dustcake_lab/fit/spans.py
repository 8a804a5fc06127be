"""A value with the interval it is stated in."""

from dataclasses import dataclass


@dataclass(slots=True)
class Interval:
    """A value with its 95 % interval."""

    value: float
    low: float
    high: float

    def as_json(self) -> dict[str, float]:
        """For programs."""
        return {"value": self.value, "low": self.low, "high": self.high}
