"""The blower, and new filters: start-up at little flow, a first cake, then the working flow."""

from dustcake.commissioning.cautions import DAMPER_OPENING, LOCK_OUT, NEW_MEDIA, NO_FLOW, ROTATION
from dustcake.commissioning.observation import Equipment, Observation
from dustcake.commissioning.procedure import (
    Action,
    ActionResult,
    CoreRequest,
    ProcedureStep,
    failed,
    noted,
    passed,
)
from dustcake.commissioning.questions import AnswerType, Question
from dustcake.commissioning.record import Record
from dustcake.core.setpoints import BlowerRequest

MEASURED_S = 8.0
SETTLES_WITHIN_S = 120.0
CAKE_STAYS_S = 20.0
FIRST_CAKE_PERCENT = "25"
"""Rise of dP at unchanged damper that is taken for a first cake (common practice, no source)."""


# --- the blower: it starts, turns the right way, and moves air


def blower(equipment: Equipment) -> ProcedureStep:
    """Rotation and flow. Only where the run request is by hand does dustcake start it."""
    by_hand = equipment.setpoints.blower.request is BlowerRequest.HAND
    clear = "Everybody is clear, guards on, lock-out taken off"
    start = Action(
        "start",
        "Start the blower and watch dP" if by_hand else "Watch dP while you start the blower",
        (Question("clear", clear, AnswerType.CONSENT),),
        _started,
        requests=lambda _: ({"request": "blower", "run": True},) if by_hand else (),
        timeout_s=120.0,
    )
    return ProcedureStep(
        "blower",
        "Blower rotation and flow",
        "With the blower running dP rises, the contact (where fitted) proves it, it turns the "
        "right way, and the motor stays within its nameplate current.",
        (LOCK_OUT, ROTATION),
        (start, _ROTATION),
        (("start", ""), ("rotation", "")),
    )


def _started(observed: Observation) -> ActionResult | None:
    """dP over the last readings must be above what proves flow."""
    last = [one.dp_pa for one in observed.snapshots[-4:]]
    numbers = [pa for pa in last if pa is not None]
    if len(observed.snapshots) < 5 or len(numbers) < 4 or not observed.now.blower_running:
        return None
    if min(numbers) < observed.equipment.setpoints.blower.flow_proof_pa:
        return None
    before_pa, after_pa = observed.before.dp_pa, sum(numbers) / len(numbers)
    shown = observed.equipment.shown
    was = "" if before_pa is None else f" from {shown(before_pa)}"
    return passed(
        f"running after {observed.elapsed_s:.0f} s, dP rose{was} to {shown(after_pa)}",
        before_pa=before_pa,
        dp_pa=round(after_pa, 2),
        after_s=round(observed.elapsed_s, 1),
    )


def _turning(observed: Observation) -> ActionResult:
    fields = observed.fields
    values = {name: fields[name] for name in ("current_a", "rated_a") if name in fields}
    if not fields["right"]:
        return failed(
            "it turns the wrong way, and so moves little air: have two phases exchanged by a "
            "licensed electrician, after lock-out",
            **values,
        )
    if len(values) == 2 and float(values["current_a"]) > float(values["rated_a"]):
        return failed("more current than the nameplate allows: close the damper further", **values)
    current = f", {values['current_a']:g} A" if "current_a" in values else ""
    return passed(f"it turns the right way{current}", **values)


_ROTATION = Action(
    "rotation",
    "Say how it turns",
    (
        Question("right", "It turns the way of the arrow on its housing", AnswerType.YES_NO),
        Question("current_a", "Motor current, A", AnswerType.NUMBER, required=False, high=5000),
        Question(
            "rated_a", "Current on the nameplate, A", AnswerType.NUMBER, required=False, high=5000
        ),
    ),
    _turning,
)


# --- start-up: clean dP at the damper's minimum

_OPENING = Question("opening_percent", "Damper opening, %", AnswerType.NUMBER, low=0, high=100)


def _blower_off(observed: Observation) -> str | None:
    return "the blower does not run" if observed.now.blower_running is False else None


def _damper_moved(observed: Observation) -> CoreRequest:
    note = f"commissioning: {float(observed.fields['opening_percent']):g} % open"
    return {"request": "record", "entry": "damper_moved", "note": note}


def _start_requests(observed: Observation) -> tuple[CoreRequest, ...]:
    change: tuple[CoreRequest, ...] = ()
    if observed.fields["new_filters"]:
        change = ({"request": "filter_change", "note": "commissioning"},)
    return ({"request": "mode", "mode": "off"}, *change, _damper_moved(observed))


def _clean(observed: Observation) -> ActionResult | None:
    steady = observed.settled(MEASURED_S)
    if steady is None:
        return None
    shown = observed.equipment.shown
    return passed(
        f"clean dP {shown(steady.mean_pa)} ({shown(steady.low_pa)} to {shown(steady.high_pa)})",
        dp_pa=round(steady.mean_pa, 2),
        low_pa=round(steady.low_pa, 2),
        high_pa=round(steady.high_pa, 2),
        opening_percent=observed.fields["opening_percent"],
    )


START_UP = ProcedureStep(
    "start_up",
    "Start-up with the damper at minimum",
    "The damper at its minimum (half to three quarters of the flow: common practice, no source), "
    "cleaning off, so that a first cake can form. Clean dP is noted.",
    (NEW_MEDIA, DAMPER_OPENING),
    (
        Action(
            "measure",
            "Measure clean dP at minimum damper",
            (
                _OPENING,
                Question("new_filters", "The filters are new, or newly changed", AnswerType.YES_NO),
            ),
            _clean,
            refuse=_blower_off,
            timeout_s=SETTLES_WITHIN_S,
            requests=_start_requests,
        ),
    ),
    (("measure", ""),),
)


# --- seasoning: until the first cake, observed by the daemon also while nobody is there


def _begun(observed: Observation) -> ActionResult:
    clean = observed.record.last("start_up", "measure")
    if clean is None or "dp_pa" not in clean.values:
        return failed("there is no clean dP on record: measure it in the step before")
    percent = float(observed.fields["rise_percent"])
    target_pa = float(clean.values["dp_pa"]) * (1 + percent / 100)
    return noted(
        f"watching for {observed.equipment.shown(target_pa)}",
        clean_pa=clean.values["dp_pa"],
        target_pa=round(target_pa, 2),
    )


def _target_pa(history: Record) -> float | None:
    """dP that is a first cake; None before it has been set."""
    begun = history.last("seasoning", "begin")
    return None if begun is None else begun.values.get("target_pa")


def _not_begun(observed: Observation) -> str | None:
    if _target_pa(observed.record) is None:
        return "begin to watch first"
    if observed.now.mode != "off":
        return "cleaning is on, which takes off the cake that should form: select mode off"
    return _blower_off(observed)


def _look(observed: Observation) -> ActionResult | None:
    steady, target_pa = observed.steady(MEASURED_S), _target_pa(observed.record)
    assert target_pa is not None  # refused before
    if steady is None:
        return None
    shown, dp_pa = observed.equipment.shown, round(steady.mean_pa, 2)
    if steady.mean_pa >= target_pa:
        return passed(_FOUND.format(shown(steady.mean_pa)), dp_pa=dp_pa)
    return noted(f"not yet: {shown(steady.mean_pa)} of {shown(target_pa)}", dp_pa=dp_pa)


_FOUND = "a first cake: dP {}"


def _first_cake(observed: Observation) -> ActionResult | None:
    """What the daemon sees by itself."""
    target_pa = _target_pa(observed.record)
    if target_pa is None or not observed.now.blower_running or observed.now.mode != "off":
        return None
    steady = observed.steady(CAKE_STAYS_S)
    if steady is None or steady.low_pa < target_pa:
        return None
    dp_pa = round(steady.mean_pa, 2)
    return passed(_FOUND.format(observed.equipment.shown(steady.mean_pa)), dp_pa=dp_pa)


SEASONING = ProcedureStep(
    "seasoning",
    "Seasoning, until the first cake",
    "At unchanged damper, with cleaning off, dP rises by the share you set above clean dP. The "
    "daemon watches by itself, also while nobody is there: leave it and come back.",
    (NEW_MEDIA, NO_FLOW),
    (
        Action(
            "begin",
            "Begin to watch",
            (
                Question(
                    "rise_percent",
                    "Rise of dP that is a first cake, %",
                    AnswerType.NUMBER,
                    default=FIRST_CAKE_PERCENT,
                    low=5,
                    high=300,
                ),
            ),
            _begun,
        ),
        Action("look", "Look now", (), _look, refuse=_not_begun),
    ),
    (("look", ""),),
    automatic=_first_cake,
)


# --- damper: opened in steps until the hood captures


def _opened(observed: Observation) -> ActionResult | None:
    steady = observed.settled(MEASURED_S)
    if steady is None:
        return None
    opening = float(observed.fields["opening_percent"])
    words = f"{opening:g} % open: dP {observed.equipment.shown(steady.mean_pa)}"
    values: dict[str, object] = {"opening_percent": opening, "dp_pa": round(steady.mean_pa, 2)}
    if observed.fields["captures"]:
        return passed(f"{words}; the hood captures", **values)
    return noted(f"{words}; the hood does not capture yet", **values)


DAMPER = ProcedureStep(
    "damper",
    "Damper opened in steps",
    "Open the damper a little, look at the hood, measure; again until the hood captures, and no "
    "further. dP is noted at each step.",
    (DAMPER_OPENING,),
    (
        Action(
            "open",
            "Measure at this opening",
            (
                _OPENING,
                Question("captures", "The hood captures all fume and dust", AnswerType.YES_NO),
                Question(
                    "hood", "Which hood, and how it was seen", AnswerType.TEXT, required=False
                ),
            ),
            _opened,
            refuse=_blower_off,
            timeout_s=SETTLES_WITHIN_S,
            requests=lambda observed: (_damper_moved(observed),),
        ),
    ),
    (("open", ""),),
)
