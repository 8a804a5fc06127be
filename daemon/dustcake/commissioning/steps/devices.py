"""Finding the dP transmitter, its span and direction, and its zero; proving each valve and the
blower. What people read of it stands in ``steps.toml``."""

from dustcake.commissioning.observation import Observation, steady_in
from dustcake.commissioning.procedure import (
    ActionResult,
    Content,
    CoreRequest,
    Work,
    failed,
    noted,
    passed,
    settings_lines,
)
from dustcake.commissioning.record import Result
from dustcake.commissioning.scan import (
    AGREES,
    APPLIED,
    AT_REST,
    MOST_REGISTERS,
    MOST_UNITS,
    MOVED,
    NEAR_ZERO,
    bounds_of,
    last_scan,
    lines_of,
)
from dustcake.core.reading import Quality
from dustcake.core.setpoints import BlowerRequest
from dustcake.publish.wording import header_unit, spoken
from dustcake.units import show

MEASURED_S = 5.0
READ_S = 4.0


# --- find the transmitter: where the settings say, or by scanning


def _unusable_bounds(observed: Observation) -> str | None:
    bounds = bounds_of(observed)
    if not 1 <= len(bounds.units) <= MOST_UNITS:
        return f"units: {MOST_UNITS} at most in one scan, the last not before the first"
    if not 1 <= len(bounds.registers) <= MOST_REGISTERS:
        return f"registers: {MOST_REGISTERS} at most in one scan, the last not before the first"
    if observed.fields["pressure"] == APPLIED and not last_scan(observed, AT_REST):
        return f"scan {AT_REST} first: what follows the pressure is found by comparing the two"
    return None


def _candidates(observed: Observation) -> list[Content]:
    """Candidate of the last scan with the number given; none where there is no such number."""
    number = round(observed.fields["number"])
    found: list[Content] = observed.record.values("transmitter", "scan").get("candidates", [])
    return found[number - 1 : number]


def _no_such_candidate(observed: Observation) -> str | None:
    return None if _candidates(observed) else "the last scan has no such number"


def _chosen(observed: Observation) -> ActionResult:
    (candidate,) = _candidates(observed)  # refused before, where there is none
    changes = {"transmitter": candidate["lines"]}
    lines = settings_lines(changes)
    if candidate["lines"] == lines_of(observed.equipment.collector.transmitter):
        return noted("that is what the settings say already", settings=lines)
    return noted(
        "write these lines into the settings file in place of those there, restart the daemon, and "
        "read it again",
        settings=lines,
        changes=changes,
    )


def _read(observed: Observation) -> ActionResult | None:
    if observed.elapsed_s < READ_S:
        return None
    transmitter = observed.equipment.collector.transmitter
    quality, steady = observed.now.sample.quality.value, observed.steady(READ_S)
    words = spoken(quality)
    if steady is None or quality in (Quality.FAILURE, Quality.OUT_OF_SPECIFICATION):
        return failed(
            f"dP is not read as it should be ({words}): check supply, wiring, bus, unit and "
            "register, or scan",
            quality=quality,
        )
    return passed(
        f"dP reads {observed.equipment.shown(steady.dp_pa)}, {words}",
        dp_pa=steady.dp_pa,
        quality=quality,
        settings=settings_lines({"transmitter": lines_of(transmitter)}),
    )


# --- span and direction: pressure on the high side makes it rise, by as much as it should


def _blower_runs(observed: Observation) -> str | None:
    return "the blower runs: this wants no flow" if observed.now.blower.running else None


def _no_rest(observed: Observation) -> str | None:
    rest = observed.record.last("span", "rest")
    if rest is not None and rest.result is Result.FAILED:
        return "measure with no pressure first"
    return _blower_runs(observed)


def _rest(observed: Observation) -> ActionResult | None:
    steady = observed.settled(MEASURED_S)
    if steady is None:
        return None
    shown, limit_pa = observed.equipment.shown, NEAR_ZERO * observed.equipment.span_pa
    if abs(steady.dp_pa) > limit_pa:
        return failed(
            f"it reads {shown(steady.dp_pa)} with no pressure, more than {shown(limit_pa)} from "
            "zero: are both lines open to the same air, and is the span right?",
            dp_pa=steady.dp_pa,
        )
    return noted(f"at rest {shown(steady.dp_pa)}", dp_pa=steady.dp_pa)


def _pressure(observed: Observation) -> ActionResult | None:
    steady = observed.settled(MEASURED_S)
    if steady is None:
        return None
    rise_pa = steady.dp_pa - observed.record.values("span", "rest")["dp_pa"]
    shown, span_pa = observed.equipment.shown, observed.equipment.span_pa
    values: Content = {"dp_pa": steady.dp_pa, "rise_pa": round(rise_pa, 2)}
    if rise_pa <= -MOVED * span_pa:
        return failed(f"it falls, by {shown(-rise_pa)}: high and low side are swapped", **values)
    if rise_pa < MOVED * span_pa:
        return failed(
            f"it hardly moves ({shown(rise_pa)}): is the pressure on the high side, and the "
            "snubber open?",
            **values,
        )
    if "manometer" not in observed.fields:
        return passed(f"it rises, by {shown(rise_pa)}; not compared with a manometer", **values)
    manometer_pa = observed.fields["manometer"]
    values["manometer_pa"] = round(manometer_pa, 2)
    words = f"it rises by {shown(rise_pa)}, the manometer by {shown(manometer_pa)}"
    if abs(rise_pa - manometer_pa) > AGREES * span_pa:
        return failed(f"{words}: check the span in the settings and at the transmitter", **values)
    return passed(words, **values)


# --- zero


def _zero(observed: Observation) -> ActionResult | None:
    before, now = observed.before.zero, observed.now.zero
    if now.under_way or len(observed.moments) < 2:
        return None
    if (now.taken_utc_s, now.offset_pa) == (before.taken_utc_s, before.offset_pa):
        return failed("the zero was not taken: the log book says why", offset_pa=now.offset_pa)
    shown = observed.equipment.shown(now.offset_pa)
    return passed(f"zero taken: {shown} is subtracted from now on", offset_pa=now.offset_pa)


# --- valves


OBSERVED_S = 3.0
LEAST_DIP = 0.02  # of header pressure: less is hardly seen above noise
"""Common practice, no source: a pulse takes a twentieth to a third of a header of fair size."""


def _pulse(observed: Observation) -> tuple[CoreRequest, ...]:
    return ({"request": "pulse", "valve": int(observed.fields["valve"])},)


def _pulsed(observed: Observation) -> ActionResult | None:
    valve = int(observed.fields["valve"])
    before, now = observed.before.pulsing, observed.now.pulsing
    if now.failures > before.failures:
        return failed(f"valve {valve} was not pulsed: the outputs do not follow their commands")
    if now.counts[valve - 1] == before.counts[valve - 1] or observed.elapsed_s < OBSERVED_S:
        return None
    before_pa = observed.before.header_pa
    if before_pa is None:
        return passed(f"valve {valve} was pulsed; no header transmitter to see its dip")
    unit = header_unit(observed.equipment.unit)
    lowest_pa = min(pa for one in observed.moments if (pa := one.state.header_pa) is not None)
    dip = (before_pa - lowest_pa) / before_pa
    values: Content = {
        "header_before_pa": round(before_pa),
        "header_lowest_pa": round(lowest_pa),
        "dip_percent": round(100 * dip, 1),
    }
    words = f"header {show(before_pa, unit)}, down to {show(lowest_pa, unit)} ({dip:.1%})"
    if dip < LEAST_DIP:
        return failed(
            f"valve {valve}: {words}: it does not fire. Check coil, wiring and pilot, after "
            "lock-out and venting",
            **values,
        )
    return passed(f"valve {valve}: {words}", **values)


# --- blower


def _start(observed: Observation) -> tuple[CoreRequest, ...]:
    """Request to run, where the run request is by hand: only there does dustcake start it."""
    by_hand = observed.equipment.setpoints.blower.request is BlowerRequest.HAND
    return ({"request": "blower", "run": True},) if by_hand else ()


def _started(observed: Observation) -> ActionResult | None:
    """Result once the blower is seen to run, and the last readings are above what proves flow."""
    last = steady_in(observed.moments[-4:]) if len(observed.moments) > 4 else None
    flow_proof_pa = observed.equipment.setpoints.blower.flow_proof_pa
    if last is None or last.low_pa < flow_proof_pa or not observed.now.blower.running:
        return None
    before_pa, shown = observed.before.sample.pa, observed.equipment.shown
    was = "" if before_pa is None else f" from {shown(before_pa)}"
    return passed(
        f"running after {observed.elapsed_s:.0f} s, dP rose{was} to {shown(last.dp_pa)}",
        before_pa=before_pa,
        dp_pa=last.dp_pa,
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
    if len(values) == 2 and values["current_a"] > values["rated_a"]:
        return failed("more current than the nameplate allows: close the damper further", **values)
    current = f", {values['current_a']:g} A" if "current_a" in values else ""
    return passed(f"it turns the right way{current}", **values)


WORK = {
    ("transmitter", "read"): Work(_read),
    ("transmitter", "scan"): Work(refuse=_unusable_bounds),
    ("transmitter", "choose"): Work(_chosen, refuse=_no_such_candidate),
    ("span", "rest"): Work(_rest, refuse=_blower_runs),
    ("span", "pressure"): Work(_pressure, refuse=_no_rest),
    ("zero", "take"): Work(
        _zero, requests=lambda _: ({"request": "zero", "blower_off_confirmed": True},)
    ),
    ("valves", "pulse"): Work(_pulsed, requests=_pulse),
    ("blower", "start"): Work(_started, requests=_start),
    ("blower", "rotation"): Work(_turning),
}
