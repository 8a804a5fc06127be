"""Alarms and permissives tried: each that can be without harm comes, and somebody sees it."""

from dustcake.commissioning.cautions import TRIALS
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
from dustcake.core.setpoints import Setpoints

TIMEOUT_S = 300.0

_ALARMS = {
    "transmitter_fault": "pull the transmitter's connector",
    "smoke": "use the detector's own test",
    "drum_full": "make the drum's contact",
    "header_pressure_low": "shut off the air and vent the header slowly",
}
_PERMISSIVES = {  # no alarm reports these
    "door_shut": "open the access door, with nobody in front of it",
    "no_stop": "set the stop input",
}
_HOW = {**_ALARMS, **_PERMISSIVES}


def _trials(setpoints: Setpoints) -> tuple[str, ...]:
    """What can be tried at this collector: alarms in use, and permissives that no alarm reports."""
    fitted = setpoints.fitted
    there = {
        "transmitter_fault": True,
        "smoke": fitted.smoke,
        "drum_full": fitted.drum_full,
        "header_pressure_low": setpoints.header is not None,
        "door_shut": fitted.door_open,
        "no_stop": fitted.stop,
    }
    used = {alarm.name.value for alarm in setpoints.alarms if alarm.enabled}
    return tuple(name for name in _HOW if there[name] and (name in used or name in _PERMISSIVES))


def alarm_trials(equipment: Equipment) -> ProcedureStep:
    """Each is made to come; a person says who saw it."""
    names = _trials(equipment.setpoints)
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
    how = "; ".join(f"{name.replace('_', ' ')}: {_HOW[name]}" for name in names)
    return ProcedureStep(
        "alarms",
        "Alarms tried",
        f"Each comes when it should, and is seen where people look. How: {how}. Then put all back.",
        (TRIALS,),
        (tried, seen, leave),
        tuple((action, name) for name in names for action in ("try", "seen")),
    )


def _trial(observed: Observation) -> str:
    return str(observed.fields["trial"]).replace("_", " ")


def _stands(observed: Observation) -> bool:
    name, now = str(observed.fields["trial"]), observed.now
    if name == "transmitter_fault" and "fieldbus_lost" in now.standing:
        return True  # the device with nothing else to be read: that alarm explains the other
    if name in _ALARMS:
        return name in now.standing
    return any(permissive.name == name for permissive in now.missing)


def _there_already(observed: Observation) -> str | None:
    return "it stands already: put that right first" if _stands(observed) else None


def _came(observed: Observation) -> ActionResult | None:
    if not _stands(observed):
        return None
    kind = "alarm" if observed.fields["trial"] in _ALARMS else "missing permissive"
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
