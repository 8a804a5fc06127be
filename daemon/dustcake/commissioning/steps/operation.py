"""Set points, proposed from clean dP and media, the mode the collector goes on with, and trials of
its alarms.

Common practice, no source: on-demand cleaning stops some way above the dP of clean, seasoned
filters, so that a thin cake stays on them, and starts 0.5 to 1 inH2O above that. Usual ranges are 2
to 3 inH2O for the low one and 3 to 4 inH2O for the high one; filters are replaced at 5 to 6 inH2O.
A proposal to begin with, to be trimmed when the collector has run for some weeks.
"""

from collections.abc import Callable
from enum import StrEnum
from typing import Any

from dustcake.commissioning.cautions import HARMLESS_TRIALS
from dustcake.commissioning.observation import Equipment, Observation
from dustcake.commissioning.procedure import (
    LEAVE,
    Action,
    ActionResult,
    CoreRequest,
    ProcedureStep,
    failed,
    noted,
    passed,
    settings_lines,
    skipped,
)
from dustcake.commissioning.questions import AnswerType, Question
from dustcake.commissioning.record import RecordedAction
from dustcake.core.record import record
from dustcake.core.setpoints import Setpoints
from dustcake.units import PressureUnit, from_pa

INCH_PA = PressureUnit.INH2O.pa
USUAL_LOW, USUAL_HIGH, USUAL_REPLACEMENT = (2.0, 3.0), (3.0, 4.0), 5.0
ROUNDED_TO = 0.05  # inH2O

PROPOSED, KEEP = "those proposed", "those in force already"
_CLOSE_PA = 1.0


class Media(StrEnum):
    """What the filters are made of, as far as it decides how much cake they should keep."""

    DEPTH = "cellulose or blend"
    SURFACE = "surface-loading (nanofibre, membrane, spunbond)"


# Above clean dP, and from low to high; inH2O.
_STEPS = {Media.DEPTH: (1.5, 1.0), Media.SURFACE: (1.0, 0.75)}


@record
class Proposal:
    """What is proposed, Pa. ``cautions``: what is unusual about it."""

    low_pa: float
    high_pa: float
    replacement_pa: float
    rule: str
    cautions: tuple[str, ...]


def propose(clean_pa: float, media: Media) -> Proposal:
    """Set points for filters that read ``clean_pa`` when seasoned and clean, at working flow."""
    above, band = _STEPS[media]
    low = _rounded(clean_pa / INCH_PA + above)
    high = _rounded(low + band)
    replacement = max(USUAL_REPLACEMENT, _rounded(high + 1.0))
    rule = (
        f"low = clean + {above:g} inH2O, high = low + {band:g} inH2O, replacement at "
        f"{USUAL_REPLACEMENT:g} inH2O or 1 inH2O above high, whichever is more ({media.value} "
        "media; common practice, no source)"
    )
    cautions = [
        f"{name} is outside the usual {least:g} to {most:g} inH2O: ask the collector's maker"
        for name, inches, (least, most) in (("low", low, USUAL_LOW), ("high", high, USUAL_HIGH))
        if not least <= inches <= most
    ]
    if replacement > USUAL_REPLACEMENT:
        cautions.append("filter replacement: see that the fan still draws its flow at that dP")
    return Proposal(low * INCH_PA, high * INCH_PA, replacement * INCH_PA, rule, tuple(cautions))


def _rounded(inches: float) -> float:
    return round(round(inches / ROUNDED_TO) * ROUNDED_TO, 2)


def _clean(observed: Observation) -> RecordedAction | None:
    """dP at working flow: the newest at which the hood captured, or what was measured at all."""
    for step, action in (("damper", "open"), ("start_up", "measure")):
        entry = observed.record.last(step, action)
        if entry is not None and "dp_pa" in entry.values:
            return entry
    return None


def _no_clean_dp(observed: Observation) -> str | None:
    return None if _clean(observed) else "no dP is on record to propose from: measure one first"


def _proposed(observed: Observation) -> ActionResult:
    clean = _clean(observed)
    assert clean is not None  # refused before
    clean_pa = float(clean.values["dp_pa"])
    proposal = propose(clean_pa, Media(str(observed.fields["media"])))
    shown, unit = observed.equipment.shown, observed.equipment.unit
    low, high, replacement = (
        _written(pa, unit) for pa in (proposal.low_pa, proposal.high_pa, proposal.replacement_pa)
    )
    alarms = {"replacement": replacement}
    if observed.equipment.setpoints.limits.high_pa < proposal.replacement_pa:
        alarms["high"] = _written(proposal.replacement_pa + INCH_PA, unit)
    changes = {"cleaning": {"low": low, "high": high}, "alarms": alarms}
    tables = (settings_lines(f"collector.{name}", table) for name, table in changes.items())
    return noted(
        f"clean dP {shown(clean_pa)}: low {low}, high {high}, filter replacement {replacement}; "
        f"{proposal.rule}",
        clean_pa=clean_pa,
        low_pa=round(proposal.low_pa, 2),
        high_pa=round(proposal.high_pa, 2),
        replacement_pa=round(proposal.replacement_pa, 2),
        rule=proposal.rule,
        cautions=list(proposal.cautions),
        settings="\n".join(tables),
        changes=changes,
    )


def _written(pa: float, unit: PressureUnit) -> str:
    """As in a settings file, to as many digits as make sense there."""
    return f"{from_pa(pa, unit):.4g} {unit}"


def _not_proposed(observed: Observation) -> str | None:
    return None if observed.record.last("set_points", "propose") else "have some proposed first"


def _last(observed: Observation, action: str) -> dict[str, Any]:
    entry = observed.record.last("set_points", action)
    assert entry is not None  # refused before
    return entry.values


def _request_change(observed: Observation) -> tuple[CoreRequest, ...]:
    proposed = _last(observed, "propose")
    return ({"request": "set_points", **{name: proposed[name] for name in ("low_pa", "high_pa")}},)


def _shown_back(observed: Observation) -> ActionResult:
    (answer,) = observed.answers
    points = "; ".join(
        f"{'low' if each['set_point'] == 'low_pa' else 'high'} {each['before']['display']} -> "
        f"{each['after']['display']}"
        for each in answer["points"]
    )
    return noted(f"{points}: {answer['reason']}", change=answer["change"])


def _nothing_to_confirm(observed: Observation) -> str | None:
    shown = observed.record.last("set_points", "apply")
    return "have the change shown first" if shown is None else None


def _confirmed(observed: Observation) -> ActionResult:
    return noted(f"changed: {_listed(observed, _in_force(observed))}")


def _decided(observed: Observation) -> ActionResult:
    proposed, in_force = _last(observed, "propose"), _in_force(observed)
    replacement_pa = observed.equipment.setpoints.limits.replacement_pa
    words = _listed(observed, {**in_force, "filter replacement": replacement_pa})
    values: dict[str, object] = {f"{name}_pa": round(pa, 2) for name, pa in in_force.items()}
    values["replacement_pa"] = round(replacement_pa, 2)
    if observed.fields["which"] == KEEP:
        if "why" not in observed.fields:
            return failed("say why those in force are kept")
        return passed(f"kept: {words}; {observed.fields['why']}", **values)
    others = [name for name, pa in in_force.items() if _differs(pa, proposed[f"{name}_pa"])]
    if others:
        return failed(
            f"not in force yet: {' and '.join(others)}. Change them here, or write the lines into "
            "the settings file, check it and restart the daemon",
            **values,
        )
    if _differs(replacement_pa, proposed["replacement_pa"]):
        words = f"{words} (as in the settings file, and not as proposed: it is changed there only)"
    return passed(f"in force: {words}", **values)


def _in_force(observed: Observation) -> dict[str, float]:
    return {"low": observed.now.low_pa, "high": observed.now.high_pa}


def _listed(observed: Observation, pressures: dict[str, float]) -> str:
    shown = observed.equipment.shown
    return ", ".join(f"{name} {shown(pa)}" for name, pa in pressures.items())


def _differs(pa: float, proposed_pa: float) -> bool:
    return abs(pa - float(proposed_pa)) > max(_CLOSE_PA, 0.005 * pa)


def _mode(observed: Observation) -> ActionResult:
    return passed(f"mode {str(observed.fields['mode']).replace('_', ' ')} selected")


_KEPT_WHY = "Why, if those in force already are kept"
_MODES = ("on_demand", "timed", "off")
_ACTIONS = (
    Action(
        "propose",
        "Propose set points",
        (Question("media", "Filter media", AnswerType.CHOICE, choices=tuple(map(str, Media))),),
        _proposed,
        refuse=_no_clean_dp,
    ),
    Action(
        "apply",
        "Change low and high now",
        (),
        _shown_back,
        refuse=_not_proposed,
        requests=_request_change,
    ),
    Action(
        "confirm",
        "Confirm the change that was shown",
        (Question("right", "That is what it shall be", AnswerType.CONSENT),),
        _confirmed,
        refuse=_nothing_to_confirm,
        requests=lambda observed: (
            {"request": "confirm", "change": _last(observed, "apply")["change"]},
        ),
    ),
    Action(
        "decide",
        "Decide",
        (
            Question("which", "What holds", AnswerType.CHOICE, choices=(PROPOSED, KEEP)),
            Question("why", _KEPT_WHY, AnswerType.TEXT, required=False),
        ),
        _decided,
        refuse=_not_proposed,
    ),
    Action(
        "mode",
        "Select the mode",
        (Question("mode", "Cleaning mode", AnswerType.CHOICE, choices=_MODES),),
        _mode,
        requests=lambda observed: ({"request": "mode", "mode": observed.fields["mode"]},),
    ),
)

SET_POINTS = ProcedureStep(
    "set_points",
    "Set points and mode",
    "Low, high and filter replacement fit the clean dP and the media. The rule is stated; it is "
    "common practice, no source. Then cleaning goes to work.",
    (),
    _ACTIONS,
    (("decide", ""), ("mode", "")),
)


# --- alarms and permissives tried: each that can be without harm comes, and somebody sees it


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
