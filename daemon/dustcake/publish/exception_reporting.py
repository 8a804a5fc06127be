"""When a measurement is worth a message: report by exception, with a heartbeat."""

from dustcake.core.inputs import Contacts
from dustcake.core.reading import Sample
from dustcake.core.record import record
from dustcake.core.state import State

# Polls come a little sooner or later than they should: with a heartbeat of one poll, every second
# of them would be passed over.
_EARLY = 0.95


@record
class Deadbands:
    """Pressures that differ by less than this from the last ones reported are no news, Pa."""

    dp_pa: float
    header_pa: float


@record
class _Reported:
    mono_s: float
    dp: Sample
    header: Sample | None
    contacts: Contacts
    blower: bool | None


class ExceptionReporter:
    """Remembers what was reported last. ``every_s``: the heartbeat, after which it is due
    whatever has changed; ``deadbands`` None: only then, and when the quality changes."""

    def __init__(self, every_s: float, deadbands: Deadbands | None) -> None:
        self._every_s = every_s
        self._deadbands = deadbands
        self._reported: _Reported | None = None

    def is_due(self, state: State, mono_s: float) -> bool:
        """Whether the measurement is to be reported now; if so it counts as reported."""
        reported = self._reported
        due = (
            reported is None
            or mono_s - reported.mono_s >= _EARLY * self._every_s
            or state.sample.quality is not reported.dp.quality
            or (self._deadbands is not None and self._is_news(state, reported, self._deadbands))
        )
        if due:
            self._reported = _Reported(
                mono_s, state.sample, state.header, state.contacts, state.blower.running
            )
        return due

    def _is_news(self, state: State, reported: _Reported, deadbands: Deadbands) -> bool:
        return (
            state.contacts != reported.contacts
            or state.blower.running is not reported.blower
            or _differs(state.sample, reported.dp, deadbands.dp_pa)
            or _differs(state.header, reported.header, deadbands.header_pa)
        )


def _differs(now: Sample | None, reported: Sample | None, deadband_pa: float) -> bool:
    if now is None or reported is None:
        return now is not reported
    if now.quality is not reported.quality:
        return True
    if now.pa is None or reported.pa is None:
        return now.pa is not reported.pa
    return abs(now.pa - reported.pa) >= deadband_pa
