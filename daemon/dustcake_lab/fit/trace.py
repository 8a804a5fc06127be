"""From a file with a trace to its fitted collector.

Hours whose reading the core itself would not have believed are left out.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from dustcake.core.events import QualityChanged
from dustcake.core.inputs import PollCompleted
from dustcake.core.reasons import Because
from dustcake.core.setpoints import OutputKind, Pulsing, Setpoints
from dustcake.publish.wording import spoken
from dustcake_lab.fit.collector import FittedCollector, fit_collector
from dustcake_lab.fit.data import Samples, gather
from dustcake_lab.replay.replay import ColumnMatch, Replay, match_columns
from dustcake_lab.traces.columns import BadRow, Recorded
from dustcake_lab.traces.files import open_any
from dustcake_lab.traces.samples import Columns


@dataclass(slots=True)
class FittedTrace:
    """``match``: how settings and columns meet; ``samples``, ``recorded``: all of the trace;
    ``collector``: what was estimated from it."""

    match: ColumnMatch
    samples: Samples
    recorded: Recorded
    collector: FittedCollector


def fit_trace(path: Path, setpoints: Setpoints, zone: ZoneInfo | None = None) -> FittedTrace:
    """Read the trace at ``path`` and estimate its collector, hours of the day in ``zone`` (None:
    UTC). Raises TraceError, StoreRefused, TooThinError, and UnknownZoneError."""
    with open_any(path, setpoints) as trace:
        match = match_columns(setpoints, trace.columns)
        parts = list(trace.samples(match.unused))
        samples = gather(parts, match.setpoints, zone)
        recorded = trace.recorded
    read = [part for part in parts if not isinstance(part, BadRow)]
    samples = without_doubts(samples, read, match.setpoints, recorded)
    if not recorded.pulses and setpoints.pulsing.kind is OutputKind.DEMAND_CONTACT:
        recorded = with_pulses_of_a_board(recorded, setpoints.pulsing, float(samples.t_s[-1]))
    return FittedTrace(
        match, samples, recorded, fit_collector(samples, recorded, setpoints.pulsing.order)
    )


def with_pulses_of_a_board(recorded: Recorded, pulsing: Pulsing, end_s: float) -> Recorded:
    """A sequencer board reports nothing: while its demand contact is closed it is taken to pulse
    row after row, each once in its rated time for a full cycle, and to go on with the next row at
    the next demand. ``end_s``: time of the last row of the trace."""
    step_s, rows = pulsing.sequencer_cycle_s / len(pulsing.order), len(pulsing.order)
    pulses = list(recorded.pulses)
    made = replace(recorded, has_pulse_columns=bool(recorded.cleaning), pulses=pulses)
    count = 0
    for (t_s, under_way), (until_s, _) in pairwise([*recorded.cleaning, (end_s, False)]):
        pulse_s = t_s
        while under_way and pulse_s < until_s:
            made.pulsed(pulse_s, pulse_s, pulsing.order[count % rows], 1)
            pulse_s, count = pulse_s + step_s, count + 1
    return made


_NOT_HEEDED = {Because.NO_SAMPLE_YET, Because.ZERO_DRIFT, Because.NOT_TO_ZERO}
"""A zero that is off by a little leaves dP good enough, and lasts until somebody takes the zero."""
_FALLS = {Because.JUMP_UNEXPLAINED, Because.FELL_AT_ONCE}
_A_PULSE_S = 5.0
"""A fall so soon after a recorded pulse is that pulse's, which the replay may not have fired."""
_MOST = 1.0 / 3.0
"""Of the running time: more of it is no fault of hours, and nothing is left out."""


def without_doubts(
    samples: Samples,
    parts: Iterable[Columns | PollCompleted],
    setpoints: Setpoints,
    recorded: Recorded,
) -> Samples:
    """``samples``, marked where the core doubts the reading, with a note for how long.
    ``parts``: what the samples were gathered from."""
    doubted = np.zeros(len(samples.t_s), bool)
    found: set[Because] = set()
    lost = np.isnan(samples.dp_pa)
    for begin_s, end_s, codes in _doubted(parts, setpoints, recorded):
        begin, end = np.searchsorted(samples.t_s, [begin_s, end_s], "left")
        if not (lost[begin:end] | ~samples.running[begin:end]).all():
            doubted[begin:end] = True
            found |= codes
    hours = _running_h(samples, doubted & ~lost)
    if hours == 0.0:
        return samples
    why = ", ".join(sorted(spoken(each) for each in found))
    share = 100.0 * hours / _running_h(samples, ~lost)
    if share > 100.0 * _MOST:
        note = (
            f"the core would doubt the reading in {share:.0f} % of the running time ({why}), too "
            "much to leave out: see what is wrong with it (dustcake replay), or fit on a part of it"
        )
        return replace(samples, notes=(*samples.notes, note))
    note = (
        f"{hours:.1f} hours of running ({share:.1f} %) are left out, in which the core would doubt "
        f"the reading ({why})"
    )
    return replace(samples, doubted=doubted, notes=(*samples.notes, note))


def _doubted(
    parts: Iterable[Columns | PollCompleted], setpoints: Setpoints, recorded: Recorded
) -> Iterator[tuple[float, float, set[Because]]]:
    """Doubts, from when to when, and why; without those that began with a fall just after a
    recorded pulse."""
    changes = [
        (event.at.mono_s, {each.code for each in event.body.reasons} - _NOT_HEEDED)
        for event in Replay(setpoints, recorded=recorded).events(parts)
        if isinstance(event.body, QualityChanged)
    ]
    pulses_s, explained_s = np.array([pulse.by_s for pulse in recorded.pulses]), -np.inf
    for (begin_s, why), (end_s, _) in pairwise([*changes, (np.inf, set())]):
        pulsed = ((pulses_s >= begin_s - _A_PULSE_S) & (pulses_s <= begin_s)).any()
        if why and why <= _FALLS and (pulsed or begin_s == explained_s):
            explained_s = end_s
        elif why:
            yield begin_s, end_s, why


def _running_h(samples: Samples, chosen: npt.NDArray[np.bool_]) -> float:
    ran_s = np.diff(samples.run_s, prepend=0.0)
    return float(ran_s[chosen].sum()) / 3600.0
