"""New filters: start-up at little flow, a first cake, then the working flow; set points proposed
from clean dP and media, the mode the collector goes on with, trials of its alarms, the signature.

Common practice, no source: on-demand cleaning stops some way above the dP of clean, seasoned
filters, so that a thin cake stays on them, and starts 0.5 to 1 inH2O above that. Usual ranges are 2
to 3 inH2O for the low one and 3 to 4 inH2O for the high one; filters are replaced at 5 to 6 inH2O.
A proposal to begin with, to be trimmed when the collector has run for some weeks.
"""

from dataclasses import asdict
from enum import StrEnum

from dustcake.commissioning.observation import Observation, Steady
from dustcake.commissioning.procedure import (
    SKIP,
    ActionResult,
    Content,
    CoreRequest,
    Work,
    failed,
    noted,
    passed,
    settings_lines,
)
from dustcake.commissioning.record import Record
from dustcake.core.cleaning.state import Met
from dustcake.core.requests.kinds import Mode
from dustcake.core.requests.set_point_overrides import effective
from dustcake.core.setpoints import Setpoints
from dustcake.publish.wording import spoken
from dustcake.units import PressureUnit

MEASURED_S = 8.0
CAKE_STAYS_S = 20.0


# --- start-up: clean dP at the damper's minimum


def _blower_off(observed: Observation) -> str | None:
    return "the blower does not run" if observed.now.blower.running is False else None


def _damper_moved(observed: Observation) -> CoreRequest:
    note = f"commissioning: {observed.fields['opening_percent']:g} % open"
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
        f"clean dP {shown(steady.dp_pa)} ({shown(steady.low_pa)} to {shown(steady.high_pa)})",
        **asdict(steady),
        opening_percent=observed.fields["opening_percent"],
    )


# --- seasoning: until the first cake, observed by the daemon also while nobody is there


def _begun(observed: Observation) -> ActionResult:
    clean_pa = observed.record.values("start_up", "measure").get("dp_pa")
    if clean_pa is None:
        return failed("there is no clean dP on record: measure it in the step before")
    target_pa = clean_pa * (1 + observed.fields["rise_percent"] / 100)
    words = f"watching for {observed.equipment.shown(target_pa)}"
    return noted(words, clean_pa=clean_pa, target_pa=round(target_pa, 2))


def _target_pa(observed: Observation) -> float | None:
    """dP that is a first cake; None before it has been set."""
    return observed.record.values("seasoning", "begin").get("target_pa")


def _not_begun(observed: Observation) -> str | None:
    if _target_pa(observed) is None:
        return "begin to watch first"
    if observed.now.mode is not Mode.OFF:
        return "cleaning is on, which takes off the cake that should form: select mode off"
    return _blower_off(observed)


def _look(observed: Observation) -> ActionResult | None:
    steady, target_pa = observed.steady(MEASURED_S), _target_pa(observed)
    assert target_pa is not None  # refused before
    if steady is None:
        return None
    if steady.dp_pa >= target_pa:
        return _cake(observed, steady)
    shown = observed.equipment.shown
    return noted(f"not yet: {shown(steady.dp_pa)} of {shown(target_pa)}", dp_pa=steady.dp_pa)


def _first_cake(observed: Observation) -> ActionResult | None:
    """Result the daemon finds by itself, once dP stays above what was set."""
    target_pa = _target_pa(observed)
    if target_pa is None or not observed.now.blower.running or observed.now.mode is not Mode.OFF:
        return None
    steady = observed.steady(CAKE_STAYS_S)
    return _cake(observed, steady) if steady and steady.low_pa >= target_pa else None


def _cake(observed: Observation, steady: Steady) -> ActionResult:
    shown = observed.equipment.shown(steady.dp_pa)
    return passed(f"a first cake: dP {shown}", dp_pa=steady.dp_pa)


# --- damper: opened in steps until the hood captures


def _opened(observed: Observation) -> ActionResult | None:
    steady = observed.settled(MEASURED_S)
    if steady is None:
        return None
    opening = observed.fields["opening_percent"]
    words = f"{opening:g} % open: dP {observed.equipment.shown(steady.dp_pa)}"
    values: Content = {"opening_percent": opening, "dp_pa": steady.dp_pa}
    if observed.fields["captures"]:
        return passed(f"{words}; the hood captures", **values)
    return noted(f"{words}; the hood does not capture yet", **values)


# --- set points

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


def propose(clean_pa: float, media: Media) -> Content:
    """Set points, to hundredths of a pascal, for filters that read ``clean_pa`` when seasoned and
    clean, at working flow; with the ``rule`` they follow, and in ``cautions`` what is unusual."""
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
    inches = {"low_pa": low, "high_pa": high, "replacement_pa": replacement}
    points = {name: round(each * INCH_PA, 2) for name, each in inches.items()}
    return {**points, "rule": rule, "cautions": cautions}


def _rounded(inches: float) -> float:
    return round(round(inches / ROUNDED_TO) * ROUNDED_TO, 2)


def _clean_pa(observed: Observation) -> float | None:
    """dP of clean filters: the newest while the damper was opened, else that at its minimum."""
    at_minimum = observed.record.values("start_up", "measure").get("dp_pa")
    return observed.record.values("damper", "open").get("dp_pa", at_minimum)


def _no_clean_dp(observed: Observation) -> str | None:
    known = _clean_pa(observed) is not None
    return None if known else "no dP is on record to propose from: measure one first"


def _proposed(observed: Observation) -> ActionResult:
    clean_pa = _clean_pa(observed)
    assert clean_pa is not None  # refused before
    proposal = propose(clean_pa, Media(observed.fields["media"]))
    equipment, replacement_pa = observed.equipment, proposal["replacement_pa"]
    low, high, replacement = (
        _written(proposal[name], equipment.unit) for name in ("low_pa", "high_pa", "replacement_pa")
    )
    alarms = {"replacement": replacement}
    if equipment.setpoints.limits.high_pa < replacement_pa:
        alarms["high"] = _written(replacement_pa + INCH_PA, equipment.unit)
    changes = {"cleaning": {"low": low, "high": high}, "alarms": alarms}
    return noted(
        f"clean dP {equipment.shown(clean_pa)}: low {low}, high {high}, filter replacement "
        f"{replacement}; {proposal['rule']}",
        clean_pa=clean_pa,
        **proposal,
        settings=settings_lines(changes),
        changes=changes,
    )


def _written(pa: float, unit: PressureUnit) -> str:
    """A pressure as in a settings file, to as many digits as make sense there."""
    return f"{pa / unit.pa:.4g} {unit}"


def _request_change(observed: Observation) -> tuple[CoreRequest, ...]:
    proposed = observed.record.values("set_points", "propose")
    low_pa, high_pa = proposed["low_pa"], proposed["high_pa"]
    return ({"request": "set_points", "low_pa": low_pa, "high_pa": high_pa},)


def _shown_back(observed: Observation) -> ActionResult:
    (answer,) = observed.answers
    points = "; ".join(
        f"{'low' if each['set_point'] == 'low_pa' else 'high'} {each['before']['display']} -> "
        f"{each['after']['display']}"
        for each in answer["points"]
    )
    return noted(f"{points}: {answer['reason']}", change=answer["change"])


def _confirm(observed: Observation) -> tuple[CoreRequest, ...]:
    change = observed.record.values("set_points", "apply")["change"]
    return ({"request": "confirm", "change": change},)


def _confirmed(observed: Observation) -> ActionResult:
    return noted(f"changed: {_listed(observed, _in_force(observed))}")


def _decided(observed: Observation) -> ActionResult:
    proposed, in_force = observed.record.values("set_points", "propose"), _in_force(observed)
    replacement_pa = observed.equipment.setpoints.limits.replacement_pa
    words = _listed(observed, {**in_force, "filter replacement": replacement_pa})
    values: Content = {f"{name}_pa": round(pa, 2) for name, pa in in_force.items()}
    values["replacement_pa"] = round(replacement_pa, 2)
    if observed.fields["which"] == KEEP:
        if "why" not in observed.fields:
            return failed("say why those in force are kept")
        changes = _not_in_file(observed, in_force)
        return passed(f"kept: {words}; {observed.fields['why']}", **values, changes=changes)
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


def _not_in_file(observed: Observation, in_force: dict[str, float]) -> Content:
    """Set points in force that were changed without the settings file, as lines for it."""
    points, unit = observed.equipment.setpoints.cleaning, observed.equipment.unit
    written = {"low": points.low_pa, "high": points.high_pa}
    changed = {name: _written(pa, unit) for name, pa in in_force.items() if pa != written[name]}
    return {"cleaning": changed} if changed else {}


def changes_of(history: Record) -> Content:
    """Tables of the settings file that commissioning changes: the transmitter that was chosen, and
    the set points proposed, unless those in force were kept or the step was left out since."""
    newest = history.last("set_points", "propose", "decide", SKIP)
    if newest is not None and newest.fields.get("which") == PROPOSED:
        newest = history.last("set_points", "propose")
    chosen = history.values("transmitter", "choose").get("changes", {})
    return {**chosen, **(newest.values.get("changes", {}) if newest is not None else {})}


def _in_force(observed: Observation) -> dict[str, float]:
    points = effective(observed.equipment.setpoints, observed.now.set_point_overrides).cleaning
    return {"low": points.low_pa, "high": points.high_pa}


def _listed(observed: Observation, pressures: dict[str, float]) -> str:
    shown = observed.equipment.shown
    return ", ".join(f"{name} {shown(pa)}" for name, pa in pressures.items())


def _differs(pa: float, proposed_pa: float) -> bool:
    return abs(pa - proposed_pa) > max(_CLOSE_PA, 0.005 * pa)


# --- alarms and permissives tried: each that can be without harm comes, and somebody sees it


_PERMISSIVES = ("door_shut", "no_stop")
"""What is tried and no alarm reports."""


def trials_of(setpoints: Setpoints) -> dict[str, str]:
    """What can be tried at this collector, and how each is made to come."""
    fitted = setpoints.fitted
    known = {each.name.value for each in setpoints.alarms if each.enabled}.union(_PERMISSIVES)
    trials = (
        ("transmitter_fault", True, "pull the transmitter's connector"),
        ("smoke", fitted.smoke, "use the detector's own test"),
        ("drum_full", fitted.drum_full, "make the drum's contact"),
        (
            "header_pressure_low",
            setpoints.header is not None,
            "shut off the air and vent the header slowly",
        ),
        ("door_shut", fitted.door_open, "open the access door, with nobody in front of it"),
        ("no_stop", fitted.stop, "set the stop input"),
    )
    return {name: how for name, is_fitted, how in trials if is_fitted and name in known}


def _trial(observed: Observation) -> str:
    """Name of what is tried, as people read it."""
    return spoken(observed.fields["trial"])


def _stands(observed: Observation) -> bool:
    """Whether the alarm's condition holds, in view or not; or the permissive is missing."""
    name, now = observed.fields["trial"], observed.now
    missing = {one.name for one in now.decision.permissives if one.met is Met.NO}
    standing = missing.union(one.name.value for one in now.alarms if one.condition_active)
    # The device with nothing else to be read: that alarm explains the other.
    return name in standing or (name == "transmitter_fault" and "fieldbus_lost" in standing)


def _stands_already(observed: Observation) -> str | None:
    return "it stands already: put that right first" if _stands(observed) else None


def _came(observed: Observation) -> ActionResult | None:
    if not _stands(observed):
        return None
    is_permissive = observed.fields["trial"] in _PERMISSIVES
    kind = "missing permissive" if is_permissive else "alarm"
    after_s = round(observed.elapsed_s, 1)
    return passed(
        f"{_trial(observed)}: {kind} came {after_s:g} s after watching began", after_s=after_s
    )


def _not_back(observed: Observation) -> str | None:
    return "it still stands: put it back" if _stands(observed) else None


def _seen(observed: Observation) -> ActionResult:
    if not observed.fields["seen"]:
        return failed(f"{_trial(observed)}: nobody saw it: check lamp, broker and SCADA")
    where = f": {observed.fields['where']}" if "where" in observed.fields else ""
    return passed(f"{_trial(observed)}: seen{where}, and all is back")


WORK = {
    ("start_up", "measure"): Work(_clean, refuse=_blower_off, requests=_start_requests),
    ("seasoning", "begin"): Work(_begun),
    ("seasoning", "look"): Work(_look, refuse=_not_begun, automatic=_first_cake),
    ("damper", "open"): Work(
        _opened, refuse=_blower_off, requests=lambda observed: (_damper_moved(observed),)
    ),
    ("set_points", "propose"): Work(_proposed, refuse=_no_clean_dp),
    ("set_points", "apply"): Work(_shown_back, requests=_request_change),
    ("set_points", "confirm"): Work(_confirmed, requests=_confirm),
    ("set_points", "decide"): Work(_decided),
    ("set_points", "mode"): Work(
        requests=lambda observed: ({"request": "mode", "mode": observed.fields["mode"]},)
    ),
    ("alarms", "try"): Work(_came, refuse=_stands_already),
    ("alarms", "seen"): Work(_seen, refuse=_not_back),
}
