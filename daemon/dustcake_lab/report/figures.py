"""Figures of today's settings and of the recommended ones, side by side."""

from collections.abc import Callable, Iterable

import numpy as np

from dustcake_lab.study.candidates import Outcome
from dustcake_lab.study.study import Study
from dustcake_lab.study.verdict import Verdict


def figures(study: Study, shown: list[int]) -> list[tuple[str, list[str]]]:
    """What a manager weighs: means over the sets of parameters, the worst of them where it says
    highest or least."""
    flow_m3s, rows = study.prices.flow_m3s, study.collector.rows
    told: list[tuple[str, Callable[[list[Outcome]], str]]] = [
        ("Mean dP", lambda all_: f"{_mean(each.mean_dp_pa for each in all_):.0f} Pa"),
        ("Highest dP", lambda all_: f"{max(each.highest_dp_pa for each in all_):.0f} Pa"),
        (
            "Flow at the hood, mean",
            lambda all_: f"{flow_m3s * _mean(each.mean_flow for each in all_):.2f} m3/s",
        ),
        (
            "Flow at the hood, least",
            lambda all_: f"{flow_m3s * min(each.least_flow for each in all_):.2f} m3/s",
        ),
        (
            "Pulses of each row (they wear filters and valves)",
            lambda all_: f"{_mean(each.pulses for each in all_) / rows:.0f}",
        ),
        (
            "Energy of the fan for the filters' dP",
            lambda all_: f"{_mean(each.fan_kwh for each in all_):.0f} kWh",
        ),
        (
            "Energy of compressed air for pulses",
            lambda all_: f"{_mean(each.air_kwh for each in all_):.1f} kWh",
        ),
    ]
    return [(name, [text(study.outcomes[n]) for n in shown]) for name, text in told]


def life(made: Verdict, shown: list[int]) -> list[tuple[str, list[str]]]:
    """How long the filters would last."""
    lives = made.lives
    if isinstance(lives, str):
        return [("Blower hours until filters are due", ["cannot be told"] * len(shown))]
    return [
        ("Blower hours until filters are due", [str(lives[n].either) for n in shown]),
        ("... if they age by running hours", [str(lives[n].by_hours) for n in shown]),
        ("... if they age by pulses", [str(lives[n].by_pulses) for n in shown]),
    ]


def _mean(values: Iterable[float]) -> float:
    return float(np.mean(list(values)))
