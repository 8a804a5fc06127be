"""What is remembered of the compressed air that pulses have used."""

from dustcake.core.record import record


@record
class Amount:
    """Free air of pulses. ``measured``: how many of them were measured at the header; ``rated``:
    how many are counted as rated, because there is no header transmitter, no tank volume, or
    nothing that could be seen of their dip."""

    free_m3: float = 0.0
    measured: int = 0
    rated: int = 0

    def plus(self, other: "Amount") -> "Amount":
        """Both together."""
        return Amount(
            self.free_m3 + other.free_m3, self.measured + other.measured, self.rated + other.rated
        )


@record
class PulseMeasurement:
    """A pulse whose air is being measured: header pressure ``before_pa``, when the pulse was
    commanded, when it ``ended_s`` (None while it is under way), header ``readings`` since."""

    before_pa: float
    began_s: float
    ended_s: float | None = None
    readings: tuple[tuple[float, float], ...] = ()


@record
class AirUse:
    """``total``: ever, beside the blower's total running time; ``hour``: since the last account,
    due at ``hour_ends_s`` with the running time since ``accounted_blower_s``; its first pulse was
    at ``hour_utc_s``. ``last_hour``: the account before. ``day``: of the UTC day ``day_number``,
    None where it is not known. ``measurement``: of the pulse that is being measured."""

    total: Amount = Amount()
    hour: Amount = Amount()
    hour_utc_s: float | None = None
    hour_ends_s: float | None = None
    accounted_blower_s: float = 0.0
    last_hour: Amount = Amount()
    day: Amount = Amount()
    day_number: int | None = None
    measurement: PulseMeasurement | None = None
