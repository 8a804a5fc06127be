"""From a file with a trace to the collector it tells of."""

from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

from dustcake.core.setpoints import OutputKind, Pulsing, Setpoints
from dustcake_lab.fit.collector import FittedCollector, fit_collector
from dustcake_lab.fit.data import Samples, gather
from dustcake_lab.fit.doubts import without_doubts
from dustcake_lab.replay.replay import Fit, fit
from dustcake_lab.traces.columns import BadRow, Recorded
from dustcake_lab.traces.files import open_any


@dataclass(slots=True)
class FittedTrace:
    """``met``: how settings and columns meet; ``samples``, ``recorded``: all of the trace;
    ``collector``: what was estimated from it."""

    met: Fit
    samples: Samples
    recorded: Recorded
    collector: FittedCollector


def fit_trace(path: Path, setpoints: Setpoints, zone: ZoneInfo | None = None) -> FittedTrace:
    """Read the trace at ``path`` and estimate its collector, hours of the day in ``zone`` (None:
    UTC). Raises TraceError, StoreRefused, TooThinError, and UnknownZoneError."""
    with open_any(path, setpoints) as trace:
        met = fit(setpoints, trace.columns)
        parts = list(trace.samples(met.unused))
        samples = gather(parts, met.setpoints, zone)
        recorded = trace.recorded
    read = [part for part in parts if not isinstance(part, BadRow)]
    samples = without_doubts(samples, read, met.setpoints, recorded)
    if not recorded.pulses and setpoints.pulsing.kind is OutputKind.DEMAND_CONTACT:
        recorded = with_pulses_of_a_board(recorded, setpoints.pulsing, float(samples.t_s[-1]))
    return FittedTrace(
        met, samples, recorded, fit_collector(samples, recorded, setpoints.pulsing.order)
    )


def with_pulses_of_a_board(recorded: Recorded, pulsing: Pulsing, end_s: float) -> Recorded:
    """A sequencer board reports nothing: while its demand contact is closed it is taken to pulse
    row after row, each once in its rated time for a full cycle, and to go on with the next row at
    the next demand. ``end_s``: time of the last row of the trace."""
    step_s, rows = pulsing.sequencer_cycle_s / len(pulsing.order), len(pulsing.order)
    pulses = list(recorded.pulses)
    made = replace(recorded, told=bool(recorded.cleaning), pulses=pulses)
    count = 0
    for (t_s, under_way), (until_s, _) in pairwise([*recorded.cleaning, (end_s, False)]):
        pulse_s = t_s
        while under_way and pulse_s < until_s:
            made.pulsed(pulse_s, pulse_s, pulsing.order[count % rows], 1)
            pulse_s, count = pulse_s + step_s, count + 1
    return made
