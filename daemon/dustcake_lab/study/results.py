"""The results of a study: a table of settings for people, objects for programs."""

from collections.abc import Iterator
from dataclasses import asdict
from enum import StrEnum
from typing import Any

from dustcake.core.record import record
from dustcake_lab.fit.estimate import Interval
from dustcake_lab.study.candidates import CandidateResult, averaged
from dustcake_lab.study.life import Life, life_json
from dustcake_lab.study.recommendation import LABEL, Recommendation, ranges
from dustcake_lab.study.study import Study, broken

MOST_LISTED = 12


class Order(StrEnum):
    """By what the table is sorted, the best first."""

    ENERGY = "energy"
    LIFE = "life"
    PULSES = "pulses"
    DP = "dp"


@record
class SettingsRow:
    """A candidate; ``mean`` over the sets of parameters. ``life`` None where the trace does not
    show it."""

    index: int
    what: str
    mean: CandidateResult
    least_flow_m3s: float
    life: Life | None
    remark: str


def table(
    study: Study, made: Recommendation, order: Order = Order.ENERGY, most: int = MOST_LISTED
) -> list[SettingsRow]:
    """Today's settings, and the ``most`` best of those that keep the limits, in that order; the
    recommended ones come last where they are not among the best of it. By life first come those
    sure to last longest, energy deciding between equals."""
    allowed = [n for n in range(1, len(study.candidates)) if not broken(study, n)]

    def key(row: SettingsRow) -> tuple[float, float]:
        sooner = 0.0 if row.life is None else -row.life.either.low_h
        mean = row.mean
        by = {Order.LIFE: sooner, Order.PULSES: mean.pulses, Order.DP: mean.mean_dp_pa}
        return by.get(order, mean.kwh), mean.kwh

    rows = sorted((_row(study, made, n) for n in allowed), key=key)
    kept = [row for place, row in enumerate(rows) if place < most or row.index == made.best]
    return [_row(study, made, 0), *kept]


def _row(study: Study, made: Recommendation, n: int) -> SettingsRow:
    marks = ["today"] if n == 0 else []
    marks += ["recommended"] if n == made.best else ["as good"] if n in made.good else []
    marks += broken(study, n)
    return SettingsRow(
        n,
        str(study.candidates[n]),
        averaged(study.results[n]),
        min(each.least_flow for each in study.results[n]) * study.prices.flow_m3s,
        None if isinstance(made.lives, str) else made.lives[n],
        "; ".join(marks),
    )


HEADINGS = (
    "settings", "kWh", "pulses", "mean dP, Pa", "least flow, m3/s", "filter life, h", "remarks"
)  # fmt: skip


def cells(row: SettingsRow) -> tuple[str, ...]:
    """What goes under ``HEADINGS``."""
    return (
        row.what,
        f"{row.mean.kwh:.0f}",
        f"{row.mean.pulses:.0f}",
        f"{row.mean.mean_dp_pa:.0f}",
        f"{row.least_flow_m3s:.2f}",
        "not known" if row.life is None else str(row.life.either),
        row.remark,
    )


def table_lines(rows: list[SettingsRow]) -> Iterator[str]:
    """The table for a terminal."""
    lines = [HEADINGS, *(cells(row) for row in rows)]
    widths = [max(map(len, column)) for column in zip(*lines, strict=True)]
    form = "  ".join(f"{{:{side}{width}}}" for side, width in zip("<>>>>><", widths, strict=True))
    for line in lines:
        yield form.format(*line).rstrip()


def as_json(study: Study, made: Recommendation) -> dict[str, Any]:
    """All of it but the table."""
    return {
        "event": "study",
        "label": LABEL,
        "recommended": None if made.best is None else asdict(study.candidates[made.best]),
        "ranges": ranges(study, made.good, made.mode),
        "today": asdict(study.candidates[0]),
        "today_outcome": _mean(study.results[0]),
        "outcome": None if made.best is None else _mean(study.results[made.best]),
        "saving": _json_span(made.saving),
        "saving_kwh_per_1000_h": _json_span(made.saving_kwh),
        "prices": {
            "air_m3_per_pulse": study.prices.air_m3,
            "air_kwh_per_m3": study.prices.air.energy_kwh_per_m3,
            "fan_efficiency": study.prices.fan_efficiency,
            "price_per_kwh": study.prices.air.price_per_kwh,
            "currency": study.prices.air.currency,
        },
        "binding": made.binding,
        "filter_life": life_json(study, made.lives, made.best),
        "candidates": len(study.candidates),
        "fit": study.collector.as_json(),
        "text": made.text,
    }


def _mean(results: list[CandidateResult]) -> dict[str, float]:
    means = asdict(averaged(results))
    del means["alarms"]
    return means


def _json_span(span: Interval) -> dict[str, float]:
    return {"mean": span.value, "low": span.low, "high": span.high}


def table_json(study: Study, rows: list[SettingsRow]) -> list[dict[str, Any]]:
    """The table."""
    return [
        {
            **asdict(study.candidates[row.index]),
            "kwh": row.mean.kwh,
            "pulses": row.mean.pulses,
            "mean_dp_pa": row.mean.mean_dp_pa,
            "least_flow_m3s": row.least_flow_m3s,
            "filter_life": None if row.life is None else row.life.as_json(),
            "remark": row.remark,
        }
        for row in rows
    ]
