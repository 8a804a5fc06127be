"""What a study comes to: a recommendation as a range, what binds it, and what it would save."""

from dataclasses import dataclass

import numpy as np

from dustcake.core.requests.kinds import Mode
from dustcake_lab.fit.estimate import Interval
from dustcake_lab.study.candidates import FULL_PULSE_S, averaged, board_interval_s, from_to
from dustcake_lab.study.life import Life, life_text, lives, longest
from dustcake_lab.study.study import NEVER, UNSEEN, Study, binding, broken, limit_words, remedy
from dustcake_lab.traces.samples import Floats

GOOD_ENOUGH = 0.02
"""Within this of the least energy a candidate is as good: the model is no better than that."""


@dataclass(slots=True)
class Recommendation:
    """``best``: index of the recommended candidate, None where nothing is proved better than today;
    ``good``: all that are as good; ``binding``: what keeps energy from going lower; ``saving``:
    share of today's energy saved, its mean and 95 % range over the sets of parameters; ``lives``:
    of the filters, for each candidate, or why that cannot be said; ``text``: all of it in words."""

    best: int | None
    good: list[int]
    binding: str
    saving: Interval
    saving_kwh: Interval
    mode: Mode
    lives: list[Life] | str
    text: list[str]


def recommended(study: Study) -> Recommendation:
    """Judge every candidate by energy under the constraints. Between equals those win whose filters
    are sure to last about as long as any, and of these the one that pulses least."""
    allowed = [n for n in range(1, len(study.candidates)) if not broken(study, n)]
    if NEVER in broken(study, 0) or not allowed:
        return _without(study)
    remaining = lives(study)
    energy = np.array([[each.kwh for each in results] for results in study.results])
    least = min(allowed, key=lambda n: energy[n].mean())
    good = [n for n in allowed if _as_good(energy[n], energy[least])]
    best = min(longest(good, remaining), key=lambda n: averaged(study.results[n]).pulses)
    gain = energy[0] - energy[best]
    saved_kwh, saved = _span(gain), _span(gain / energy[0])
    proved = saved.low > 0.0 and saved.value > GOOD_ENOUGH
    made = Recommendation(
        best if proved else None,
        good,
        _binding(study, energy, least),
        saved,
        saved_kwh,
        study.candidates[best].mode,
        remaining,
        [],
    )
    made.text = _words(study, made)
    return made


def _without(study: Study) -> Recommendation:
    """No recommendation, and why there is none."""
    if NEVER in broken(study, 0):
        names = [NEVER]
        why = (
            f"Nothing is compared: today's settings ({study.candidates[0]}) never clean within "
            f"the {study.plan.days:g} days simulated, so that they seem to need no air and no "
            "other settings can be held against them. Simulate longer, with more --days."
        )
    else:
        names = binding(study)
        limits = ", ".join(limit_words(study, each) for each in names)
        remedies = " ".join(remedy(study, each) for each in names)
        why = f"No candidate keeps within the limits. What binds: {limits}. {remedies}"
    none, mode, remaining = Interval(0.0, 0.0, 0.0), study.candidates[0].mode, lives(study)
    text = [why, *life_text(study, remaining, None), *closing(study)]
    return Recommendation(None, [], ", ".join(names), none, none, mode, remaining, text)


def _as_good(energy: Floats, least: Floats) -> bool:
    surplus = energy - least
    error = surplus.std(ddof=1) / np.sqrt(len(surplus)) if len(surplus) > 1 else 0.0
    return bool(surplus.mean() <= GOOD_ENOUGH * least.mean() + 2.0 * error)


def _span(values: Floats) -> Interval:
    """Mean and normal range, which with few sets of parameters is better than their quantiles."""
    spread = 1.96 * float(values.std(ddof=1)) if len(values) > 1 else 0.0
    mean = float(values.mean())
    return Interval(mean, mean - spread, mean + spread)


def _binding(study: Study, energy: Floats, least: int) -> str:
    """What those break that would need less energy still."""
    better = [
        n for n in range(1, len(energy)) if energy[n].mean() < (1 - 1e-6) * energy[least].mean()
    ]
    found = [each for n in better for each in broken(study, n)]
    if found:
        return max(sorted(set(found)), key=found.count)
    return "none: fan energy against air energy decides"


def ranges(study: Study, good: list[int], mode: Mode) -> dict[str, tuple[float, float]]:
    """The span of each setting that is one, over the candidates that are as good, in one mode."""
    chosen = [study.candidates[n] for n in good if study.candidates[n].mode is mode]
    names = ("low_pa", "high_pa", "interval_s", "on_time_s")
    of = {name: [getattr(each, name) for each in chosen] for name in names if chosen}
    return {name: (min(found), max(found)) for name, found in of.items() if None not in found}


def _words(study: Study, made: Recommendation) -> list[str]:
    text = _saving(study, made)
    modes = {study.candidates[n].mode for n in made.good}
    if len(modes) > 1:
        by_pulses = isinstance(made.lives, str)
        decided = "fewest pulses" if by_pulses else "filter life, then fewest pulses,"
        text.append(f"Timed and on-demand cleaning come out equal; {decided} decided.")
    elif made.mode is Mode.TIMED:
        text.append("Timed cleaning comes out better than on demand here.")
    text += unseen_on_time(study, made.best)
    if made.binding == UNSEEN:
        text.append(remedy(study, UNSEEN))
    text.append(f"What binds: {limit_words(study, made.binding)}.")
    return [*text, *life_text(study, made.lives, made.best), *closing(study)]


def _saving(study: Study, made: Recommendation) -> list[str]:
    """What is recommended and saves how much, or that nothing is."""
    today, saving, kwh = study.candidates[0], made.saving, made.saving_kwh
    air = study.prices.air
    if made.best is None:
        return [
            f"Keep today's settings ({today}): nothing tried is proved to need less energy. The "
            f"best would save {_percent(saving)}, which the data are too thin to distinguish from "
            "nothing."
        ]
    money = f"{kwh.value * air.price_per_kwh:.0f} {air.currency}"
    text = [
        f"Recommended: {study.candidates[made.best]}.",
        f"It would save {_percent(saving)} of the energy for the filters' dP and for pulse air, "
        f"{kwh.value:.0f} kWh ({kwh.low:.0f} to {kwh.high:.0f}) or {money} in 1000 hours of "
        f"running, against today's {today}.",
    ]
    spans = [from_to(name, *span) for name, span in ranges(study, made.good, made.mode).items()]
    if spans:
        text.append(f"As good, as far as such a model can distinguish: {', '.join(spans)}.")
    return text


def _percent(span: Interval) -> str:
    return f"{100 * span.value:.1f} % ({100 * span.low:.1f} to {100 * span.high:.1f} %)"


LABEL = "simulated: a model fitted to one trace, not a promise for the plant"
PLEATS = (
    "In a study of six pleated cartridges in a full-size collector, cleaning at a fixed interval "
    "did better than on demand above a pleat ratio (height to pitch) of 4.0, on demand better "
    "below it; tank pressure mattered, pulse length hardly (Lo, Chen, Pui, Powder Technology; "
    "abstract). This model knows nothing of pleats: whichever mode it prefers, watch residual dP "
    "for some weeks after a change."
)


def closing(study: Study) -> list[str]:
    """What has to be known of any study."""
    air, pulse_l = study.prices.air, 1000.0 * study.prices.air_m3
    notes = [
        *(f"Of the trace: {note}." for note in study.collector.notes),
        f"A pulse is taken for {pulse_l:g} l of free air, and each m3 of that for "
        f"{air.energy_kwh_per_m3:.3g} kWh; electricity costs {air.price_per_kwh:g} "
        f"{air.currency} a kWh (air in the settings, or --air).",
        "The fan's part is saved where speed control holds the flow: a fan at a fixed speed moves "
        "more air instead.",
    ]
    if board_interval_s(study.setpoints.pulsing) is not None:
        notes.append(
            "A sequencer board has its interval and its on-time to itself: they are left as they "
            "are. A full cycle of it counts as one pulse, whose air is that of all its rows."
        )
    return [*notes, f"All of this is {LABEL}.", PLEATS]


def unseen_on_time(study: Study, best: int | None) -> list[str]:
    """What has to be known where the recommended on-time is another than the trace's."""
    today = study.candidates[0].on_time_s
    then = None if best is None else study.candidates[best].on_time_s
    if today is None or then is None or then == today:
        return []
    return [
        f"The trace has never seen an on-time of {then:g} s, but today's of {today:g} s: what such "
        f"pulses take off is reckoned (below {FULL_PULSE_S:g} s in proportion, above it alike). "
        "Change it by itself, and watch dP after cleanings for some days."
    ]
