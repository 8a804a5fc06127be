"""New filters: start-up at little flow, a first cake, and then the working flow in steps."""

from dustcake.commissioning.cautions import DAMPER, NEW_MEDIA, NO_FLOW
from dustcake.commissioning.parts import Action, Ask, Form, Step
from dustcake.commissioning.record import Record
from dustcake.commissioning.seen import Asked, Outcome, Watched, failed, noted, passed

MEASURED_S = 8.0
SETTLES_WITHIN_S = 120.0
CAKE_STAYS_S = 20.0
FIRST_CAKE_PERCENT = "25"
"""Rise of dP at unchanged damper that is taken for a first cake (common practice, no source)."""

_OPENING = Ask("opening_percent", "Damper opening, %", Form.NUMBER, low=0, high=100)


def _blower_stands(watched: Watched) -> str | None:
    return "the blower does not run" if watched.now.blower_running is False else None


def start_up() -> Step:
    """Little flow, and no pulses: clean dP of the filters at it."""
    begin = Action(
        "measure",
        "Measure clean dP at minimum damper",
        (
            _OPENING,
            Ask("new_filters", "The filters are new, or newly changed", Form.YES_NO),
        ),
        _clean,
        refuse=_blower_stands,
        patience_s=SETTLES_WITHIN_S,
        requests=_ask_start,
    )
    return Step(
        "start_up",
        "Start-up with the damper at minimum",
        "The damper at its minimum (half to three quarters of the flow: common practice, no "
        "source), "
        "cleaning off, so that a first cake can form. Clean dP is noted.",
        (NEW_MEDIA, DAMPER),
        (begin,),
        (("measure", ""),),
    )


def _ask_start(watched: Watched) -> tuple[Asked, ...]:
    change: tuple[Asked, ...] = ()
    if watched.fields["new_filters"]:
        change = ({"request": "filter_change", "note": "commissioning"},)
    return ({"request": "mode", "mode": "off"}, *change, _moved(watched))


def _moved(watched: Watched) -> Asked:
    note = f"commissioning: {float(watched.fields['opening_percent']):g} % open"
    return {"request": "record", "entry": "damper_moved", "note": note}


def _clean(watched: Watched) -> Outcome | None:
    steady = watched.settled(MEASURED_S)
    if steady is None:
        return None
    shown = watched.site.shown
    return passed(
        f"clean dP {shown(steady.mean_pa)} ({shown(steady.low_pa)} to {shown(steady.high_pa)})",
        dp_pa=round(steady.mean_pa, 2),
        low_pa=round(steady.low_pa, 2),
        high_pa=round(steady.high_pa, 2),
        opening_percent=watched.fields["opening_percent"],
    )


def seasoning() -> Step:
    """Watched until the first cake: by the daemon too, while nobody looks."""
    begin = Action(
        "begin",
        "Begin to watch",
        (
            Ask(
                "rise_percent",
                "Rise of dP that is a first cake, %",
                Form.NUMBER,
                default=FIRST_CAKE_PERCENT,
                low=5,
                high=300,
            ),
        ),
        _begun,
    )
    look = Action("look", "Look now", (), _look, refuse=_not_begun)
    return Step(
        "seasoning",
        "Seasoning, until the first cake",
        "At unchanged damper, with cleaning off, dP rises by the share you set above clean dP. The "
        "daemon watches by itself, also while nobody is there: leave it and come back.",
        (NEW_MEDIA, NO_FLOW),
        (begin, look),
        (("look", ""),),
        _first_cake,
    )


def _begun(watched: Watched) -> Outcome:
    clean = watched.record.last("start_up", "measure")
    if clean is None or "dp_pa" not in clean.values:
        return failed("there is no clean dP on record: measure it in the step before")
    percent = float(watched.fields["rise_percent"])
    target_pa = float(clean.values["dp_pa"]) * (1 + percent / 100)
    return noted(
        f"watching for {watched.site.shown(target_pa)}",
        clean_pa=clean.values["dp_pa"],
        target_pa=round(target_pa, 2),
    )


def target_pa(one: Record) -> float | None:
    """dP that is a first cake; None where nothing is being watched for."""
    begun = one.last("seasoning", "begin")
    return None if begun is None or "target_pa" not in begun.values else begun.values["target_pa"]


def _not_begun(watched: Watched) -> str | None:
    if target_pa(watched.record) is None:
        return "begin to watch first"
    if watched.now.mode != "off":
        return "cleaning is on, which takes off what is to be watched: select mode off"
    return _blower_stands(watched)


def _look(watched: Watched) -> Outcome | None:
    steady, target = watched.steady(MEASURED_S), target_pa(watched.record)
    assert target is not None  # refused before
    if steady is None:
        return None
    shown = watched.site.shown
    if steady.mean_pa >= target:
        return passed(_FOUND.format(shown(steady.mean_pa)), dp_pa=round(steady.mean_pa, 2))
    return noted(
        f"not yet: {shown(steady.mean_pa)} of {shown(target)}", dp_pa=round(steady.mean_pa, 2)
    )


_FOUND = "a first cake: dP {}"


def _first_cake(watched: Watched) -> Outcome | None:
    """What the daemon sees by itself."""
    target = target_pa(watched.record)
    if target is None or not watched.now.blower_running or watched.now.mode != "off":
        return None
    steady = watched.steady(CAKE_STAYS_S)
    if steady is None or steady.low_pa < target:
        return None
    return passed(_FOUND.format(watched.site.shown(steady.mean_pa)), dp_pa=round(steady.mean_pa, 2))


def damper() -> Step:
    """Opened in steps until the hood captures."""
    opened = Action(
        "open",
        "Measure at this opening",
        (
            _OPENING,
            Ask("captures", "The hood captures all fume and dust", Form.YES_NO),
            Ask("hood", "Which hood, and how it was seen", Form.TEXT, required=False),
        ),
        _opened,
        refuse=_blower_stands,
        patience_s=SETTLES_WITHIN_S,
        requests=lambda watched: (_moved(watched),),
    )
    return Step(
        "damper",
        "Damper opened in steps",
        "Open the damper a little, look at the hood, measure; again until the hood captures, and "
        "no "
        "further. dP is noted at each step.",
        (DAMPER,),
        (opened,),
        (("open", ""),),
    )


def _opened(watched: Watched) -> Outcome | None:
    steady = watched.settled(MEASURED_S)
    if steady is None:
        return None
    opening = float(watched.fields["opening_percent"])
    words = f"{opening:g} % open: dP {watched.site.shown(steady.mean_pa)}"
    values: dict[str, object] = {"opening_percent": opening, "dp_pa": round(steady.mean_pa, 2)}
    if watched.fields["captures"]:
        return passed(f"{words}; the hood captures", **values)
    return noted(f"{words}; the hood does not capture yet", **values)
