"""Alarms and permissives tried: each that can be without harm comes, and somebody sees it."""

from dustcake.commissioning.cautions import TRIALS
from dustcake.commissioning.parts import LEAVE, Action, Ask, Form, Step
from dustcake.commissioning.record import Result
from dustcake.commissioning.seen import Outcome, Site, Watched, failed, passed
from dustcake.core.setpoints import Setpoints

PATIENCE_S = 300.0

_HOW = {
    "transmitter_fault": "pull the transmitter's connector",
    "smoke": "use the detector's own test",
    "drum_full": "make the drum's contact",
    "header_pressure_low": "shut off the air and vent the header slowly",
    "door_shut": "open the access door, with nobody in front of it",
    "no_stop": "set the stop input",
}
_ALARMS = ("transmitter_fault", "smoke", "drum_full", "header_pressure_low")
_PERMISSIVES = ("door_shut", "no_stop")


def trials(setpoints: Setpoints) -> tuple[str, ...]:
    """What can be tried at this collector: alarms, and permissives that no alarm tells of."""
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


def alarms_tried(site: Site) -> Step:
    """Each is made to come; a person says who saw it."""
    names = trials(site.setpoints)
    which = Ask("trial", "Which", Form.CHOICE, choices=names)
    tried = Action(
        "try",
        "Watch for it while you make it come",
        (which, Ask("told", "The control room knows of the trial", Form.CONSENT)),
        _came,
        refuse=_there_already,
        patience_s=PATIENCE_S,
        item="trial",
    )
    seen = Action(
        "seen",
        "Say who saw it, and that all is back",
        (
            which,
            Ask("seen", "The lamp or SCADA showed it", Form.YES_NO),
            Ask("where", "Where it was seen, and by whom", Form.TEXT, required=False),
        ),
        _seen,
        refuse=_not_back,
        item="trial",
    )
    leave = Action(
        LEAVE,
        "Leave one out",
        (which, Ask("why", "Why it is not tried", Form.TEXT)),
        _left,
        item="trial",
        aside=True,
    )
    how = "; ".join(f"{name.replace('_', ' ')}: {_HOW[name]}" for name in names)
    return Step(
        "alarms",
        "Alarms tried",
        f"Each comes when it should, and is seen where people look. How: {how}. Then put all back.",
        (TRIALS,),
        (tried, seen, leave),
        tuple((action, name) for name in names for action in ("try", "seen")),
    )


def _stands(watched: Watched) -> bool:
    name, now = str(watched.fields["trial"]), watched.now
    if name == "transmitter_fault" and "fieldbus_lost" in now.standing:
        return True  # the device with nothing else to be read: that alarm explains the other
    if name in _ALARMS:
        return name in now.standing
    return any(permissive.name == name for permissive in now.missing)


def _there_already(watched: Watched) -> str | None:
    return "it stands already: put that right first" if _stands(watched) else None


def _came(watched: Watched) -> Outcome | None:
    if not _stands(watched):
        return None
    name = str(watched.fields["trial"]).replace("_", " ")
    kind = "alarm" if watched.fields["trial"] in _ALARMS else "missing permissive"
    after_s = round(watched.elapsed_s, 1)
    return passed(f"{name}: {kind} came {after_s:g} s after watching began", after_s=after_s)


def _not_back(watched: Watched) -> str | None:
    name = str(watched.fields["trial"])
    if watched.record.last("alarms", "try", name) is None:
        return "make it come first"
    return "it still stands: put it back" if _stands(watched) else None


def _seen(watched: Watched) -> Outcome:
    name = str(watched.fields["trial"]).replace("_", " ")
    if not watched.fields["seen"]:
        return failed(f"{name}: nobody saw it: check lamp, broker and SCADA")
    where = f": {watched.fields['where']}" if "where" in watched.fields else ""
    return passed(f"{name}: seen{where}, and all is back")


def _left(watched: Watched) -> Outcome:
    name = str(watched.fields["trial"]).replace("_", " ")
    return Outcome(Result.SKIPPED, f"{name} not tried: {watched.fields['why']}", {})
