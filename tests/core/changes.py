"""What set points are in force, told from requests and events alone, and which changes may act.

Written without the core's own record of them, so that a wrong belief of it cannot excuse it.
"""

from core.traces import Taken
from dustcake.core.events import ChangeLapsed, RequestAnswered, SettingChanged
from dustcake.core.inputs import OperatorRequested, Restarted
from dustcake.core.record import replace
from dustcake.core.requests.kinds import ConfirmChange, PointChange
from dustcake.core.setpoints import Setpoints

SECTIONS = {
    "low_pa": "cleaning",
    "high_pa": "cleaning",
    "interval_s": "pulsing",
    "on_time_s": "pulsing",
}


class Changes:
    """Follows one history and objects to a change that must not act.

    ``asked``: the change that may be confirmed, by whom and until when; ``made``: what has been
    changed by request and holds.
    """

    def __init__(self) -> None:
        self.asked: tuple[int, str, float, tuple[PointChange, ...]] | None = None
        self.made: dict[str, float] = {}
        self.acted = self.lapsed = 0

    def watch(self, taken: Taken) -> Setpoints:
        """Take one step in; returns the set points in force after it."""
        happened, now_s = taken.happened, taken.happened.at.mono_s
        before = {name: self._in_force(taken.setpoints, name) for name in SECTIONS}
        settings = [e.body for e in taken.after.events if isinstance(e.body, SettingChanged)]
        for event in taken.after.events:
            body = event.body
            if isinstance(body, ChangeLapsed):
                self._lapse(body, now_s, restarted=isinstance(happened, Restarted))
            elif isinstance(body, RequestAnswered) and isinstance(happened, OperatorRequested):
                self._answered(body, happened, event.seq, taken)
        if isinstance(happened, Restarted):
            assert self.asked is None, "a change that waited is given up at a start, and told"
            changed = {body.setting for body in settings}
            self.made = {k: v for k, v in self.made.items() if f"{SECTIONS[k]}.{k}" not in changed}
        else:
            told = {body.setting.partition(".")[2]: float(body.after) for body in settings}
            told.pop("timed_interval_s", None)
            now = {name: self._in_force(taken.setpoints, name) for name in SECTIONS}
            assert told == {k: v for k, v in now.items() if v != before[k]}, "what changes is told"
        assert self.asked is None or now_s < self.asked[2], "given up in time"
        present = self._present(taken.setpoints)
        assert present.cleaning.low_pa < present.cleaning.high_pa
        return present

    def _answered(
        self, answer: RequestAnswered, asked: OperatorRequested, seq: int, taken: Taken
    ) -> None:
        if answer.change is None or not answer.accepted:
            return
        if isinstance(asked.request, ConfirmChange):
            if self.asked is None:  # the same request again: answered as before, and nothing done
                assert not any(isinstance(e.body, SettingChanged) for e in taken.after.events)
                return
            change, by, until_s, points = self.asked
            assert (answer.change, asked.by, answer.points) == (change, by, points), "that one only"
            assert taken.happened.at.mono_s < until_s, "what has expired never acts"
            self.made |= {point.set_point.value: point.after for point in points}
            self.asked, self.acted = None, self.acted + 1
        elif answer.change == seq:
            assert self.asked is None, "no more than one waits: the other was given up, and told"
            until_s = asked.at.mono_s + taken.setpoints.adjusting.confirm_within_s
            self.asked = (seq, asked.by, until_s, answer.points)

    def _lapse(self, lapsed: ChangeLapsed, now_s: float, *, restarted: bool) -> None:
        assert self.asked is not None
        assert lapsed.change == self.asked[0]
        if lapsed.reason.code == "not_confirmed":
            assert restarted or now_s >= self.asked[2], "not before its time"
        self.asked, self.lapsed = None, self.lapsed + 1

    def _in_force(self, written: Setpoints, name: str) -> float:
        value: float = self.made.get(name, getattr(getattr(written, SECTIONS[name]), name))
        return value

    def _present(self, written: Setpoints) -> Setpoints:
        in_force = {name: self._in_force(written, name) for name in SECTIONS}
        cleaning = replace(written.cleaning, low_pa=in_force["low_pa"], high_pa=in_force["high_pa"])
        if written.adjusting.timed_follows and "interval_s" in self.made:
            cleaning = replace(cleaning, timed_interval_s=in_force["interval_s"])
        pulsing = replace(
            written.pulsing, interval_s=in_force["interval_s"], on_time_s=in_force["on_time_s"]
        )
        return replace(written, cleaning=cleaning, pulsing=pulsing)
