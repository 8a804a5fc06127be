"""What a study says in the same words whatever came of it."""

from dustcake_lab.study.candidates import FULL_PULSE_S, Candidate, board_interval_s
from dustcake_lab.study.study import Study

LABEL = "simulated: a model fitted to one trace, not a promise for the plant"
PLEATS = (
    "In a study of six pleated cartridges in a full-size collector, cleaning at a fixed interval "
    "did better than on demand above a pleat ratio (height to pitch) of 4.0, on demand better "
    "below it; tank pressure mattered, pulse length hardly (Lo, Chen, Pui, Powder Technology; "
    "abstract). This model knows nothing of pleats: whichever mode it prefers, watch residual dP "
    "for some weeks after a change."
)


def named(candidate: Candidate) -> str:
    """A candidate in words."""
    demand = candidate.low_pa is not None and candidate.high_pa is not None
    span = f"on demand, {candidate.low_pa:.0f} to {candidate.high_pa:.0f} Pa" if demand else ""
    if candidate.interval_s is None:
        return span or "timed, the contact of the sequencer board closed all the time"
    pulse = f"on-time {candidate.on_time_s:g} s"
    if demand:
        return f"{span}, interval {candidate.interval_s:g} s, {pulse}"
    return f"timed, one pulse every {candidate.interval_s:g} s, {pulse}"


def closing(study: Study) -> list[str]:
    """What has to be known of any study."""
    prices = study.prices
    notes = [
        *(f"Of the trace: {note}." for note in study.collector.notes),
        f"A pulse is taken for {1000.0 * prices.air_m3:g} l of free air, and each m3 of that for "
        f"{prices.air_kwh_m3:.3g} kWh; electricity costs {prices.price_per_kwh:g} "
        f"{prices.currency} a kWh (air in the settings, or --air).",
    ]
    notes.append(
        "The fan's part is saved where speed control holds the flow: a fan at a fixed speed moves "
        "more air instead."
    )
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


def from_to(name: str, low: float, high: float) -> str:
    """A range of a setting, in words; ``name`` with its unit, as ``low_pa``."""
    what, _, unit = name.rpartition("_")
    unit = "Pa" if unit == "pa" else unit
    span = f"{low:g}" if low == high else f"{low:g} to {high:g}"
    return f"{what.replace('on_time', 'on-time')} {span} {unit}"
