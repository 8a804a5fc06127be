"""Set points, proposed from clean dP and media, and the mode the collector goes on with."""

from typing import Any

from dustcake.commissioning.parts import Action, Ask, Form, Step
from dustcake.commissioning.proposal import INCH_PA, Media, propose
from dustcake.commissioning.record import Entry
from dustcake.commissioning.seen import Asked, Outcome, Site, Watched, failed, noted, passed
from dustcake.commissioning.snippet import lines
from dustcake.units import PressureUnit, from_pa

PROPOSED, KEEP = "those proposed", "those in force already"
_CLOSE_PA = 1.0


def set_points(site: Site) -> Step:
    """Proposed, decided on, and put to use."""
    media = tuple(each.value for each in Media)
    proposed = Action(
        "propose",
        "Propose set points",
        (Ask("media", "Filter media", Form.CHOICE, choices=media),),
        _proposed,
        refuse=_no_clean_dp,
    )
    apply = Action(
        "apply",
        "Change low and high now",
        (),
        _shown_back,
        refuse=_not_proposed,
        requests=_ask_change,
    )
    confirm = Action(
        "confirm",
        "Confirm the change that was shown",
        (Ask("right", "That is what it shall be", Form.CONSENT),),
        _confirmed,
        refuse=_nothing_to_confirm,
        requests=_ask_confirm,
    )
    decide = Action(
        "decide",
        "Decide",
        (
            Ask("which", "What holds", Form.CHOICE, choices=(PROPOSED, KEEP)),
            Ask("why", "Why, if those in force already are kept", Form.TEXT, required=False),
        ),
        _decided,
        refuse=_not_proposed,
    )
    mode = Action(
        "mode",
        "Select the mode",
        (Ask("mode", "Cleaning mode", Form.CHOICE, choices=("on_demand", "timed", "off")),),
        _mode,
        requests=_ask_mode,
    )
    del site
    return Step(
        "set_points",
        "Set points and mode",
        "Low, high and filter replacement fit the clean dP and the media. The rule is stated; it "
        "is "
        "common practice, no source. Then cleaning goes to work.",
        (),
        (proposed, apply, confirm, decide, mode),
        (("decide", ""), ("mode", "")),
    )


def _clean(watched: Watched) -> Entry | None:
    """dP at working flow: the newest at which the hood captured, or what was measured at all."""
    for step, action in (("damper", "open"), ("start_up", "measure")):
        entry = watched.record.last(step, action)
        if entry is not None and "dp_pa" in entry.values:
            return entry
    return None


def _no_clean_dp(watched: Watched) -> str | None:
    return None if _clean(watched) else "no dP is on record to propose from: measure one first"


def _proposed(watched: Watched) -> Outcome:
    clean = _clean(watched)
    assert clean is not None  # refused before
    clean_pa = float(clean.values["dp_pa"])
    proposal = propose(clean_pa, Media(str(watched.fields["media"])))
    shown, unit = watched.site.shown, watched.site.unit
    low, high, replacement = (
        _written(pa, unit) for pa in (proposal.low_pa, proposal.high_pa, proposal.replacement_pa)
    )
    alarms = {"replacement": replacement}
    if watched.site.setpoints.limits.high_pa < proposal.replacement_pa:
        alarms["high"] = _written(proposal.replacement_pa + INCH_PA, unit)
    changes = {"cleaning": {"low": low, "high": high}, "alarms": alarms}
    settings = "\n".join(lines(f"collector.{name}", table) for name, table in changes.items())
    return noted(
        f"clean dP {shown(clean_pa)}: low {low}, high {high}, filter replacement {replacement}; "
        f"{proposal.rule}",
        clean_pa=clean_pa,
        low_pa=round(proposal.low_pa, 2),
        high_pa=round(proposal.high_pa, 2),
        replacement_pa=round(proposal.replacement_pa, 2),
        rule=proposal.rule,
        cautions=list(proposal.cautions),
        settings=settings,
        changes=changes,
    )


def _written(pa: float, unit: PressureUnit) -> str:
    """As in a settings file, to as many digits as make sense there."""
    return f"{from_pa(pa, unit):.4g} {unit}"


def _not_proposed(watched: Watched) -> str | None:
    return None if watched.record.last("set_points", "propose") else "have some proposed first"


def _last(watched: Watched, action: str) -> dict[str, Any]:
    entry = watched.record.last("set_points", action)
    assert entry is not None  # refused before
    return entry.values


def _ask_change(watched: Watched) -> tuple[Asked, ...]:
    proposed = _last(watched, "propose")
    return ({"request": "set_points", **{name: proposed[name] for name in ("low_pa", "high_pa")}},)


def _shown_back(watched: Watched) -> Outcome:
    (answer,) = watched.answers
    points = "; ".join(
        f"{'low' if each['set_point'] == 'low_pa' else 'high'} {each['before']['display']} -> "
        f"{each['after']['display']}"
        for each in answer["points"]
    )
    return noted(f"{points}: {answer['reason']}", change=answer["change"])


def _nothing_to_confirm(watched: Watched) -> str | None:
    shown = watched.record.last("set_points", "apply")
    return "have the change shown first" if shown is None else None


def _ask_confirm(watched: Watched) -> tuple[Asked, ...]:
    return ({"request": "confirm", "change": _last(watched, "apply")["change"]},)


def _confirmed(watched: Watched) -> Outcome:
    words = ", ".join(f"{name} {watched.site.shown(pa)}" for name, pa in _in_force(watched).items())
    return noted(f"changed: {words}")


def _decided(watched: Watched) -> Outcome:
    proposed, in_force = _last(watched, "propose"), _in_force(watched)
    shown = watched.site.shown
    replacement_pa = watched.site.setpoints.limits.replacement_pa
    words = ", ".join(f"{name} {shown(pa)}" for name, pa in in_force.items())
    words = f"{words}, filter replacement {shown(replacement_pa)}"
    values: dict[str, object] = {f"{name}_pa": round(pa, 2) for name, pa in in_force.items()}
    values["replacement_pa"] = round(replacement_pa, 2)
    if watched.fields["which"] == KEEP:
        if "why" not in watched.fields:
            return failed("say why those in force are kept")
        return passed(f"kept: {words}; {watched.fields['why']}", **values)
    others = [
        name
        for name, pa in in_force.items()
        if abs(pa - float(proposed[f"{name}_pa"])) > max(_CLOSE_PA, 0.005 * pa)
    ]
    if others:
        return failed(
            f"not in force yet: {' and '.join(others)}. Change them here, or write the lines into "
            "the settings file, check it and restart the daemon",
            **values,
        )
    if abs(replacement_pa - float(proposed["replacement_pa"])) > max(
        _CLOSE_PA, 0.005 * replacement_pa
    ):
        words = f"{words} (as in the settings file, and not as proposed: it is changed there only)"
    return passed(f"in force: {words}", **values)


def _in_force(watched: Watched) -> dict[str, float]:
    return {"low": watched.now.low_pa, "high": watched.now.high_pa}


def _ask_mode(watched: Watched) -> tuple[Asked, ...]:
    return ({"request": "mode", "mode": watched.fields["mode"]},)


def _mode(watched: Watched) -> Outcome:
    return passed(f"mode {str(watched.fields['mode']).replace('_', ' ')} selected")
