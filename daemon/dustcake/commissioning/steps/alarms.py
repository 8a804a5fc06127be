"""Alarms and permissives tried: each that can be without harm comes, and somebody sees it."""

from collections.abc import Callable

from dustcake.commissioning.cautions import HARMLESS_TRIALS
from dustcake.commissioning.observation import Equipment, Observation
from dustcake.commissioning.procedure import (
    LEAVE,
    Action,
    ActionResult,
    ProcedureStep,
    failed,
    passed,
    skipped,
)
from dustcake.commissioning.questions import AnswerType, Question
from dustcake.core.record import record
from dustcake.core.setpoints import Setpoints

TIMEOUT_S = 300.0


@record
class Trial:
    """How something is made to come, and whether this collector can have it. ``is_alarm`` False:
    it is a permissive that no alarm reports."""

    how: str
    is_fitted: Callable[[Setpoints], bool]
    is_alarm: bool = True


TRIALS = {
    "transmitter_fault": Trial("pull the transmitter's connector", lambda _: True),
    "smoke": Trial("use the detector's own test", lambda has: has.fitted.smoke),
    "drum_full": Trial("make the drum's contact", lambda has: has.fitted.drum_full),
    "header_pressure_low": Trial(
        "shut off the air and vent the header slowly", lambda has: has.header is not None
    ),
    "door_shut": Trial(
        "open the access door, with nobody in front of it",
        lambda has: has.fitted.door_open,
        is_alarm=False,
    ),
    "no_stop": Trial("set the stop input", lambda has: has.fitted.stop, is_alarm=False),
}


def _possible(setpoints: Setpoints) -> tuple[str, ...]:
    """What can be tried at this collector."""
    used = {alarm.name.value for alarm in setpoints.alarms if alarm.enabled}
    return tuple(
        name
        for name, trial in TRIALS.items()
        if trial.is_fitted(setpoints) and (name in used or not trial.is_alarm)
    )


def alarm_trials(equipment: Equipment) -> ProcedureStep:
    """Each is made to come; a person says who saw it."""
    names = _possible(equipment.setpoints)
    which = Question("trial", "Which", AnswerType.CHOICE, choices=names)
    where = "Where it was seen, and by whom"
    tried = Action(
        "try",
        "Watch for it while you make it come",
        (which, Question("told", "The control room knows of the trial", AnswerType.CONSENT)),
        _came,
        refuse=_there_already,
        timeout_s=TIMEOUT_S,
        item="trial",
    )
    seen = Action(
        "seen",
        "Say who saw it, and that all is back",
        (
            which,
            Question("seen", "The lamp or SCADA showed it", AnswerType.YES_NO),
            Question("where", where, AnswerType.TEXT, required=False),
        ),
        _seen,
        refuse=_not_back,
        item="trial",
    )
    leave = Action(
        LEAVE,
        "Leave one out",
        (which, Question("why", "Why it is not tried", AnswerType.TEXT)),
        lambda observed: skipped(f"{_trial(observed)} not tried: {observed.fields['why']}"),
        item="trial",
        secondary=True,
    )
    how = "; ".join(f"{name.replace('_', ' ')}: {TRIALS[name].how}" for name in names)
    return ProcedureStep(
        "alarms",
        "Alarms tried",
        f"Each comes when it should, and is seen where people look. How: {how}. Then put all back.",
        (HARMLESS_TRIALS,),
        (tried, seen, leave),
        tuple((action, name) for name in names for action in ("try", "seen")),
    )


def _trial(observed: Observation) -> str:
    return str(observed.fields["trial"]).replace("_", " ")


def _stands(observed: Observation) -> bool:
    name, now = str(observed.fields["trial"]), observed.now
    if name == "transmitter_fault" and "fieldbus_lost" in now.standing:
        return True  # the device with nothing else to be read: that alarm explains the other
    if TRIALS[name].is_alarm:
        return name in now.standing
    return any(permissive.name == name for permissive in now.missing)


def _there_already(observed: Observation) -> str | None:
    return "it stands already: put that right first" if _stands(observed) else None


def _came(observed: Observation) -> ActionResult | None:
    if not _stands(observed):
        return None
    is_alarm = TRIALS[str(observed.fields["trial"])].is_alarm
    kind = "alarm" if is_alarm else "missing permissive"
    after_s = round(observed.elapsed_s, 1)
    return passed(
        f"{_trial(observed)}: {kind} came {after_s:g} s after watching began", after_s=after_s
    )


def _not_back(observed: Observation) -> str | None:
    if observed.record.last("alarms", "try", str(observed.fields["trial"])) is None:
        return "make it come first"
    return "it still stands: put it back" if _stands(observed) else None


def _seen(observed: Observation) -> ActionResult:
    if not observed.fields["seen"]:
        return failed(f"{_trial(observed)}: nobody saw it: check lamp, broker and SCADA")
    where = f": {observed.fields['where']}" if "where" in observed.fields else ""
    return passed(f"{_trial(observed)}: seen{where}, and all is back")
