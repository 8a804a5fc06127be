"""One pulse and what came of it."""

from math import sqrt

from dustcake.core.pulse_response.state import DiagnosisState, Look
from dustcake.core.reading import Sample
from dustcake.core.record import record
from dustcake.core.setpoints import Setpoints
from dustcake.core.signal_validation.doubts import is_well_formed

# What dP of a steady collector wanders by in the time of a look, as a share of it (common practice,
# no source).
WANDERS = 0.003


@record
class Answer:
    """Effects are shares of the value before the pulse, None where not known.

    ``response``: by how much dP fell; ``noise``: standard deviation of that without any effect.
    ``dip``, ``header_noise``: the same of the header at the first poll after the pulse. ``rise``:
    by how much dP had risen before this run, only in its first cycle.
    """

    valve: int
    dp_pa: float | None
    after_pa: float | None
    response: float | None
    noise: float
    rise: float | None
    dip: float | None
    header_noise: float
    header_pa: float | None
    header_after_pa: float | None


def answer_to(
    look: Look, diagnosis: DiagnosisState, sample: Sample, header: Sample | None, *, flow: bool
) -> Answer:
    """What is read when the answer to a pulse is due. ``flow``: the blower runs."""
    after_pa = sample.pa if flow and is_well_formed(sample) else None
    dp_pa = look.dp_pa
    response = rise = None
    noise = 0.0
    if dp_pa is not None and after_pa is not None:
        response = (dp_pa - after_pa) / dp_pa
        noise = sqrt(2 * (diagnosis.noise_pa2 or 0.0) / (dp_pa * dp_pa) + WANDERS * WANDERS)
        rise = None if look.rise_pa is None else look.rise_pa / dp_pa
    header_noise = 0.0
    if look.header_pa is not None:
        header_noise = sqrt(2 * (diagnosis.header_noise_pa2 or 0.0)) / look.header_pa
    return Answer(
        valve=look.valve,
        dp_pa=dp_pa,
        after_pa=after_pa,
        response=response,
        noise=noise,
        rise=rise,
        dip=look.dip,
        header_noise=header_noise,
        header_pa=look.header_pa,
        header_after_pa=None if header is None else header.usable_pa,
    )


def first_noise_pa2(setpoints: Setpoints) -> float:
    """Variance of a dP reading before any is known: a deviation of 0.2 % of span."""
    return (0.002 * (setpoints.dp.span_high_pa - setpoints.dp.span_low_pa)) ** 2


def noisier(variance_pa2: float, difference_pa: float) -> float:
    """Variance of single readings after one more difference of two that follow each other."""
    seen = min(difference_pa * difference_pa / 2, 9 * variance_pa2)
    return variance_pa2 + 0.1 * (seen - variance_pa2)
