"""How well the field answers: what is not known now, since when, and how often that happens.

A lost reply holds what is pending: a delay goes on while what it rests on is not known, and ends at
the first known value that confirms it. Once that has not been known for ``stale_after_s`` in one
piece, the delay begins anew. So a signal that fails often, but never for long, hinders nothing; it
is known by the share of its readings that were lost.
"""

from collections.abc import Mapping
from math import exp, log

from dustcake.core.inputs import Contacts
from dustcake.core.reading import Quality, Sample
from dustcake.core.reasons import Because
from dustcake.core.record import record, replace
from dustcake.core.setpoints import Setpoints
from dustcake.core.signal_validation.state import well_formed_pa

WITHIN_S = 600.0
"""Over which the share of lost readings is taken: older ones are forgotten at this rate."""
OFTEN, SELDOM = 0.10, 0.05
"""Lost more often than the one raises an alarm, less often than the other clears it (no source)."""

_LONGEST_S = 60.0  # for which one lost reading counts, however long the one before is ago
_LOST = frozenset(
    {
        Because.READ_FAILED,
        Because.NOT_A_NUMBER,
        Because.WRONG_WORD_COUNT,
        Because.CURRENT_FAILURE,
        Because.JUMP_UNEXPLAINED,
    }
)
"""What makes a reading a lost one. Beyond its span, or while a zero is taken, it is not usable
either, but nothing is wrong with the line."""


@record
class Gap:
    """One signal. ``since_s``: not known since then, None while it is known. ``resumed_s``: when it
    was known again after it had last not been for ``stale_after_s``; ``pa``: what was read before
    the gap, while that lasts. ``lost``: the share of readings lost, as of ``at_s``; failures longer
    than ``stale_after_s`` count up to that: they have alarms of their own.
    """

    since_s: float | None = None
    resumed_s: float | None = None
    pa: float | None = None
    lost: float = 0.0
    at_s: float = 0.0

    def begun(self, start_s: float | None, now_s: float) -> float:
        """When a delay begun at ``start_s``, None if not yet, counts as begun, now that the signal
        is known."""
        if start_s is None:
            return now_s
        return start_s if self.resumed_s is None else max(start_s, self.resumed_s)

    def lost_at(self, now_s: float) -> float:
        """The share lost by now; while the signal is not known it stays as it is."""
        return self.lost if self.since_s is not None else _forgotten(self, now_s)

    def falls_to_s(self, share: float) -> float:
        """When the share lost will be down to this, while nothing more is lost."""
        return self.at_s + WITHIN_S * log(self.lost / share)


_KNOWN = Gap()


@record
class SignalGaps:
    """Every signal. ``contacts``: by name, those that have ever been lost; any other has always
    been known, or is not fitted."""

    dp: Gap = _KNOWN
    header: Gap = _KNOWN
    contacts: tuple[tuple[str, Gap], ...] = ()

    @property
    def blower_running(self) -> Gap:
        """The contact that proves the blower."""
        return dict(self.contacts).get("blower_running", _KNOWN)

    def of(self, name: str) -> Gap:
        """The signal of this name."""
        if name == "dp":
            return self.dp
        if name == "header":
            return self.header
        return dict(self.contacts).get(name, _KNOWN)

    def gaps(self) -> dict[str, Gap]:
        """All by name, but for contacts that have always been known."""
        return {"dp": self.dp, "header": self.header, **dict(self.contacts)}

    def with_gaps(self, gaps: Mapping[str, Gap]) -> "SignalGaps":
        """The same with these signals as they are now."""
        contacts = self.gaps() | dict(gaps)
        return SignalGaps(contacts.pop("dp"), contacts.pop("header"), tuple(contacts.items()))


def restarted(signals: SignalGaps, now_s: float) -> SignalGaps:
    """After a restart: what was timed means nothing now, and what was lost is remembered."""
    gaps = signals.gaps().items()
    return SignalGaps().with_gaps({name: Gap(lost=gap.lost, at_s=now_s) for name, gap in gaps})


def polled(
    setpoints: Setpoints,
    signals: SignalGaps,
    before: tuple[Sample, Sample | None],
    now: tuple[Sample, Sample | None],
    contacts: Contacts,
) -> SignalGaps:
    """After a poll. ``before`` and ``now``: dP and header."""
    (sample, header), gaps = now, signals.gaps()
    now_s, before_s, stale_after_s = sample.at.mono_s, before[0].at.mono_s, setpoints.stale_after_s
    unknown: dict[str, tuple[bool, float | None]] = {}  # whether it was lost, what was read before
    if well_formed_pa(sample) is None and sample.quality is not Quality.FUNCTION_CHECK:
        unknown["dp"] = _is_lost(sample), before[0].pa
    if setpoints.header is not None and (header is None or header.usable_pa is None):
        before_pa = None if before[1] is None else before[1].usable_pa
        unknown["header"] = header is not None and _is_lost(header), before_pa
    for name in setpoints.fitted.names():
        if getattr(contacts, name) is None:
            unknown[name] = True, None
    after = {
        name: _known(gap, now_s, stale_after_s)
        for name, gap in gaps.items()
        if gap.since_s is not None and name not in unknown
    }
    for name, (is_lost, before_pa) in unknown.items():
        gap = gaps.get(name, _KNOWN)
        after[name] = _missing(gap, now_s, before_s, stale_after_s, is_lost, before_pa)
    return signals.with_gaps(after) if after else signals


def stale(setpoints: Setpoints, signals: SignalGaps, last_s: float) -> SignalGaps:
    """No poll has come for too long: nothing is known since the last."""
    names = ["dp", *setpoints.fitted.names()]
    if setpoints.header is not None:
        names.append("header")
    unknown = {
        name: replace(gap, since_s=last_s, pa=None, lost=_forgotten(gap, last_s), at_s=last_s)
        for name, gap in zip(names, map(signals.of, names), strict=True)
        if gap.since_s is None
    }
    return signals.with_gaps(unknown) if unknown else signals


def _is_lost(sample: Sample) -> bool:
    return bool(sample.reasons) and sample.reasons[0].code in _LOST


def _forgotten(gap: Gap, now_s: float) -> float:
    return gap.lost * exp(-max(0.0, now_s - gap.at_s) / WITHIN_S) if gap.lost else 0.0


def _missing(
    gap: Gap,
    now_s: float,
    before_s: float,
    stale_after_s: float,
    is_lost: bool,
    before_pa: float | None,
) -> Gap:
    """One more poll that has not brought the signal; ``before_s``: the poll before it."""
    since_s, pa, lost = gap.since_s, gap.pa, gap.lost
    if since_s is None:
        since_s, pa, lost = now_s, before_pa, _forgotten(gap, before_s)
    elif now_s >= since_s + stale_after_s:
        return gap
    if is_lost:
        lost = 1.0 - (1.0 - lost) * exp(-min(now_s - before_s, _LONGEST_S) / WITHIN_S)
    return Gap(since_s, gap.resumed_s, pa, lost, now_s)


def _known(gap: Gap, now_s: float, stale_after_s: float) -> Gap:
    assert gap.since_s is not None
    if now_s >= gap.since_s + stale_after_s:
        return Gap(None, now_s, None, gap.lost, now_s)
    return Gap(None, gap.resumed_s, None, gap.lost, gap.at_s)
