"""When a measurement is worth a message: report by exception, with a heartbeat."""

from dustcake.core.reading import Quality, Sample
from dustcake.core.record import record
from dustcake.core.signals import Contacts
from dustcake.core.state import State

# Polls come a little sooner or later than they should: with a heartbeat of one poll, every second
# of them would be passed over.
_EARLY = 0.95


@record
class Deadbands:
    """Pressures that differ by less than this from the last ones told are no news, Pa."""

    dp_pa: float
    header_pa: float


@record
class _Told:
    mono_s: float
    dp: Sample
    header: Sample | None
    contacts: Contacts
    blower: bool | None


class Telling:
    """Remembers what was told last. ``every_s``: the heartbeat, after which it is told whatever has
    changed; ``deadbands`` None: only then, and when the quality changes."""

    def __init__(self, every_s: float, deadbands: Deadbands | None) -> None:
        self._every_s = every_s
        self._deadbands = deadbands
        self._told: _Told | None = None

    def is_due(self, state: State, mono_s: float) -> bool:
        """Whether the measurement is to be told now; if so it counts as told."""
        told = self._told
        due = (
            told is None
            or mono_s - told.mono_s >= _EARLY * self._every_s
            or state.sample.quality is not told.dp.quality
            or (self._deadbands is not None and self._is_news(state, told, self._deadbands))
        )
        if due:
            self._told = _Told(
                mono_s, state.sample, state.header, state.contacts, state.blower.running
            )
        return due

    def _is_news(self, state: State, told: _Told, deadbands: Deadbands) -> bool:
        return (
            state.contacts != told.contacts
            or state.blower.running is not told.blower
            or _differs(state.sample, told.dp, deadbands.dp_pa)
            or _differs(state.header, told.header, deadbands.header_pa)
        )


def _differs(now: Sample | None, told: Sample | None, deadband_pa: float) -> bool:
    if _quality(now) is not _quality(told):
        return True
    pa, told_pa = _pa(now), _pa(told)
    if pa is None or told_pa is None:
        return pa is not told_pa
    return abs(pa - told_pa) >= deadband_pa


def _quality(sample: Sample | None) -> Quality | None:
    return None if sample is None else sample.quality


def _pa(sample: Sample | None) -> float | None:
    return None if sample is None else sample.pa
