"""What a study comes to, for programs."""

from typing import Any

import numpy as np

from dustcake_lab.study.candidates import Candidate, Outcome
from dustcake_lab.study.life import life_json
from dustcake_lab.study.study import Study
from dustcake_lab.study.table import Row
from dustcake_lab.study.verdict import LABEL, Span, Verdict, ranges


def as_json(study: Study, made: Verdict) -> dict[str, Any]:
    """All of it but the table."""
    return {
        "event": "study",
        "label": LABEL,
        "recommended": None if made.best is None else _candidate(study.candidates[made.best]),
        "ranges": {k: list(v) for k, v in ranges(study, made.good, made.mode).items()}
        if made.good
        else {},
        "today": _candidate(study.candidates[0]),
        "today_outcome": _mean(study.outcomes[0]),
        "outcome": None if made.best is None else _mean(study.outcomes[made.best]),
        "saving": _json_span(made.saving),
        "saving_kwh_per_1000_h": _json_span(made.saving_kwh),
        "prices": {
            "air_m3_per_pulse": study.prices.air_m3,
            "air_kwh_per_m3": study.prices.air_kwh_m3,
            "fan_efficiency": study.prices.fan_efficiency,
            "price_per_kwh": study.prices.price_per_kwh,
            "currency": study.prices.currency,
        },
        "binding": made.binding,
        "filter_life": life_json(study, made.lives, made.best),
        "candidates": len(study.candidates),
        "fit": study.collector.as_json(),
        "text": made.text,
    }


def _candidate(each: Candidate) -> dict[str, Any]:
    return {
        "mode": each.mode.value,
        "low_pa": each.low_pa,
        "high_pa": each.high_pa,
        "interval_s": each.interval_s,
        "on_time_s": each.on_time_s,
    }


def _mean(outcomes: list[Outcome]) -> dict[str, float]:
    names = (
        "fan_kwh",
        "air_kwh",
        "pulses",
        "runs",
        "mean_dp_pa",
        "highest_dp_pa",
        "mean_flow",
        "least_flow",
        "days",
    )
    return {name: float(np.mean([getattr(each, name) for each in outcomes])) for name in names}


def _json_span(span: Span) -> dict[str, float]:
    return {"mean": span.mean, "low": span.low, "high": span.high}


def table_json(study: Study, rows: list[Row]) -> list[dict[str, Any]]:
    """The table."""
    return [
        {
            **_candidate(study.candidates[row.index]),
            "kwh": row.kwh,
            "pulses": row.pulses,
            "mean_dp_pa": row.mean_dp_pa,
            "least_flow_m3s": row.least_flow_m3s,
            "filter_life": None if row.life is None else row.life.as_json(),
            "remark": row.remark,
        }
        for row in rows
    ]
