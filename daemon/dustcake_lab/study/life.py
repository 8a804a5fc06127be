"""How long the filters would last under each setting.

They are due when residual dP, what cleaning leaves of it, has come to the filter replacement set
point; as for the daemon. What a setting changes of that is how often it pulses, and how much cake
it leaves lying when it cleans as hard as it can.
"""

from collections.abc import Sequence
from dataclasses import asdict
from functools import cache

from dustcake.core.filter_life.forecast import CONFIDENCE, Forecast, Outlook
from dustcake.core.record import record
from dustcake_lab.fit.ageing import Ageing
from dustcake_lab.study.candidates import averaged, board_interval_s
from dustcake_lab.study.study import Study

NEARLY = 0.05
"""Lives that differ by less are as long as each other: no forecast is better than that."""
_THOUSAND_H = 1000.0


@record
class Hours:
    """Blower hours that remain, between two with the confidence of the forecast; ``high_h`` None:
    no end in sight."""

    low_h: float
    high_h: float | None

    def __str__(self) -> str:
        if self.high_h is None:
            return f"more than {_rounded(self.low_h)}"
        return f"{_rounded(self.low_h)} to {_rounded(self.high_h)}"


@record
class Life:
    """What remains under each belief: that filters age with running hours, or with pulses."""

    by_hours: Hours
    by_pulses: Hours

    @property
    def either(self) -> Hours:
        """What remains whichever of them is right."""
        low_h = min(self.by_hours.low_h, self.by_pulses.low_h)
        high, other = self.by_hours.high_h, self.by_pulses.high_h
        return Hours(low_h, None if high is None or other is None else max(high, other))

    def as_json(self) -> dict[str, float | None]:
        """For programs."""
        parts = {"": self.either, "by_hours_": self.by_hours, "by_pulses_": self.by_pulses}
        return {
            f"{whose}{name}": value
            for whose, hours in parts.items()
            for name, value in asdict(hours).items()
        }


def left_pa(load_pa_per_s: float, removed: float, rows: int, interval_s: float) -> float:
    """dP of the cake that lies there while a row is pulsed every ``interval_s``, one after the
    other, read just before the next pulse; all rows together, of a load that goes on.

    A row gains c = rows x load x interval from pulse to pulse. It goes on at c / removed before
    its pulse, so (1 - removed) of that after it; on the mean (rows + 1) / 2 intervals have gone by
    since. Beside that of a residual it hardly matters how cake differs between rows.
    """
    a_pulse = load_pa_per_s * interval_s
    return a_pulse * (rows * (1.0 - removed) / removed + (rows + 1) / 2.0)


def lives(study: Study) -> list[Life] | str:
    """Filter life with each candidate; or why that cannot be said."""
    ageing, limit_pa = study.collector.ageing, study.setpoints.limits.replacement_pa
    why_not = _why_not(ageing, limit_pa)
    if isinstance(ageing, str) or why_not:
        return why_not

    remaining, collector, found = cache(ageing.remaining), study.collector, []
    board_s = board_interval_s(study.setpoints.pulsing)
    for candidate, results in zip(study.candidates, study.results, strict=True):
        interval_s = candidate.interval_s or board_s
        assert interval_s is not None  # a board has one, and without a board every candidate
        cake_pa = left_pa(collector.load.value, collector.removed.value, collector.rows, interval_s)
        by_hours, by_pulses = remaining(float(round(limit_pa - cake_pa)))
        pulses_per_h = averaged(results).pulses / _THOUSAND_H
        slower = ageing.pulses_per_h / max(pulses_per_h, 1.0 / _THOUSAND_H)
        found.append(Life(_hours(by_hours), _hours(by_pulses, slower)))
    return found


def _why_not(ageing: Ageing | str, limit_pa: float) -> str:
    if isinstance(ageing, str):
        return ageing
    rise = ageing.rise
    if ageing.now_pa >= limit_pa:
        return (
            f"residual dP, {ageing.now_pa:.0f} Pa, has reached the filter replacement set point of "
            f"{limit_pa:.0f} Pa: the filters are due"
        )
    if not ageing.proved:
        return (
            "the trace shows no rise of residual dP beyond its scatter "
            f"({rise.low:.0f} to {rise.high:.0f} Pa in 1000 hours of running)"
        )
    return ""


def _hours(left: Forecast, times: float = 1.0) -> Hours:
    if left.outlook is Outlook.BEYOND_HORIZON or left.low_h is None:
        return Hours(left.horizon_h * times, None)
    return Hours(left.low_h * times, None if left.high_h is None else left.high_h * times)


def longest(of: Sequence[int], found: list[Life] | str) -> list[int]:
    """Those of the candidates ``of`` whose filters are sure to last about as long as any; all where
    that cannot be said."""
    if isinstance(found, str):
        return list(of)
    most_h = max(found[n].either.low_h for n in of)
    return [n for n in of if found[n].either.low_h >= (1.0 - NEARLY) * most_h]


def life_text(study: Study, found: list[Life] | str, best: int | None) -> list[str]:
    """Filter life in words, today and with the candidate ``best``."""
    ageing = study.collector.ageing
    if isinstance(found, str) or isinstance(ageing, str):
        return [f"Filter life cannot be estimated from this trace: {found}."]
    rise, today = ageing.rise, found[0]
    limit_pa = study.setpoints.limits.replacement_pa
    text = [
        f"Filter life with today's settings: {today.either} blower hours remain "
        f"({CONFIDENCE * 100:.0f} % confidence) until residual dP reaches the filter replacement "
        f"set point of {limit_pa:.0f} Pa; it is now {ageing.now_pa:.0f} Pa and rises by "
        f"{rise.value:.0f} Pa ({rise.low:.0f} to {rise.high:.0f}) in 1000 hours."
    ]
    beliefs = f"{today.by_hours} if by hours, {today.by_pulses} if by pulses"
    if best is not None:
        then = found[best]
        text.append(
            f"With the recommended ones: {then.either} blower hours.{_warning(today, then)}"
        )
        beliefs = (
            f"if by hours, {today.by_hours} today and {then.by_hours} as recommended; if by pulses,"
            f" {today.by_pulses} and {then.by_pulses}"
        )
    text.append(
        "The range spans both ways in which filters age, by running hours (dust beds itself in) "
        "and by pulses (media wear), which a trace pulsed at one rate cannot distinguish: "
        f"{beliefs}. Pulses an hour are taken to stay as they are now."
    )
    return text


def _warning(today: Life, then: Life) -> str:
    if then.either.low_h >= (1.0 - NEARLY) * today.either.low_h:
        return ""
    return (
        " They may be due sooner than today: weigh the price of filters against the energy saved, "
        "or choose by life (--list 10 --sort life)."
    )


def life_json(study: Study, found: list[Life] | str, best: int | None) -> dict[str, object]:
    """For programs."""
    if isinstance(found, str):
        return {"not_told": found}
    return {
        "confidence": CONFIDENCE,
        "limit_pa": study.setpoints.limits.replacement_pa,
        "today": found[0].as_json(),
        "recommended": None if best is None else found[best].as_json(),
    }


def _rounded(hours: float) -> str:
    """Hours to two figures: no forecast says more."""
    return f"{float(f'{hours:.2g}'):.0f}"
