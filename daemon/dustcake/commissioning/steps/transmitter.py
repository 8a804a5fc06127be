"""Finding the dP transmitter, its span and direction, and its zero."""

from typing import Any

from dustcake.commissioning.cautions import FIRST, LINES, LOCK_OUT
from dustcake.commissioning.observation import Equipment, Observation
from dustcake.commissioning.procedure import (
    Action,
    ActionResult,
    CoreRequest,
    ProcedureStep,
    failed,
    never,
    noted,
    passed,
    settings_lines,
)
from dustcake.commissioning.questions import AnswerType, Question
from dustcake.commissioning.record import Result
from dustcake.commissioning.registers import AGREES, MOVED, NEAR_ZERO, lines_of
from dustcake.commissioning.scan import (
    APPLIED,
    AT_REST,
    MOST_REGISTERS,
    MOST_SHOWN,
    MOST_UNITS,
    bounds_of,
    last_scan,
)
from dustcake.core.reading import Quality

MEASURED_S = 5.0
READ_S = 4.0
TABLE = "collector.transmitter"


# --- find it: where the settings say, or by scanning units and registers within bounds


def transmitter(equipment: Equipment) -> ProcedureStep:
    """Read where the settings say; if that fails, scan for it and choose a meaning."""
    scan = Action(
        "scan",
        "Scan for it",
        (
            _choice("bus", "Bus", *equipment.buses),
            _number("first_unit", "First unit", "1", 1, 247),
            _number("last_unit", "Last unit", "5", 1, 247),
            _choice("table", "Registers", "both", "input", "holding"),
            _number("first_register", "First register", "0", 0, 65535),
            _number("last_register", "Last register", "31", 0, 65535),
            _choice("pressure", "Pressure", AT_REST, APPLIED),
            _MANOMETER,
        ),
        never,
        refuse=_unusable_bounds,
        timeout_s=600.0,
        scans=True,
        secondary=True,
    )
    return ProcedureStep(
        "transmitter",
        "Find the transmitter",
        "The daemon reads dP where the settings say, and it is plausible. If not: scan at rest, "
        "then once more with pressure on the high side, best beside a manometer; choose the "
        "meaning that follows, write its lines into the settings file, and restart the daemon.",
        (*FIRST, LINES),
        (Action("read", "Read it as the settings say", (), _read), scan, _CHOOSE),
        (("read", ""),),
    )


def _choice(name: str, label: str, *choices: str) -> Question:
    return Question(name, label, AnswerType.CHOICE, default=choices[0], choices=choices)


def _number(name: str, label: str, default: str, low: float, high: float) -> Question:
    return Question(name, label, AnswerType.NUMBER, default=default, low=low, high=high)


_MANOMETER = Question("manometer", "What a manometer shows", AnswerType.PRESSURE, required=False)


def _unusable_bounds(observed: Observation) -> str | None:
    bounds = bounds_of(observed)
    if not 1 <= len(bounds.units) <= MOST_UNITS:
        return f"units: {MOST_UNITS} at most in one scan, the last not before the first"
    if not 1 <= len(bounds.registers) <= MOST_REGISTERS:
        return f"registers: {MOST_REGISTERS} at most in one scan, the last not before the first"
    if observed.fields["pressure"] == APPLIED and last_scan(observed, AT_REST) is None:
        return f"scan {AT_REST} first: what follows the pressure is found by comparing the two"
    return None


def _candidate(observed: Observation) -> dict[str, Any] | None:
    entry = observed.record.last("transmitter", "scan")
    found = [] if entry is None else entry.values["candidates"]
    number = int(float(observed.fields["number"]))
    return found[number - 1] if number <= len(found) else None


def _no_such_candidate(observed: Observation) -> str | None:
    if observed.record.last("transmitter", "scan") is None:
        return "scan first"
    return None if _candidate(observed) is not None else "the last scan has no such number"


def _chosen(observed: Observation) -> ActionResult:
    candidate = _candidate(observed)
    assert candidate is not None  # refused before
    chosen: dict[str, Any] = candidate["lines"]
    lines = settings_lines(TABLE, chosen)
    if chosen == lines_of(observed.equipment.collector.transmitter):
        return noted("that is what the settings say already", settings=lines)
    return noted(
        "write these lines into the settings file in place of those there, restart the daemon, and "
        "read it again",
        settings=lines,
        changes={"transmitter": chosen},
    )


_CHOOSE = Action(
    "choose",
    "Choose a meaning",
    (Question("number", "Its number in the scan", AnswerType.NUMBER, low=1, high=MOST_SHOWN),),
    _chosen,
    refuse=_no_such_candidate,
    secondary=True,
)


def _read(observed: Observation) -> ActionResult | None:
    if observed.elapsed_s < READ_S:
        return None
    quality, steady = observed.now.quality, observed.steady(READ_S)
    words = quality.replace("_", " ")
    if steady is None or quality in (Quality.FAILURE, Quality.OUT_OF_SPECIFICATION):
        return failed(
            f"dP is not read as it should be ({words}): check supply, wiring, bus, unit and "
            "register, or scan",
            quality=quality,
        )
    return passed(
        f"dP reads {observed.equipment.shown(steady.mean_pa)}, {words}",
        dp_pa=round(steady.mean_pa, 2),
        quality=quality,
        settings=settings_lines(TABLE, lines_of(observed.equipment.collector.transmitter)),
    )


# --- span and direction: pressure on the high side makes it rise, by as much as it should


def _blower_runs(observed: Observation) -> str | None:
    return "the blower runs: this wants no flow" if observed.now.blower_running else None


def _no_rest(observed: Observation) -> str | None:
    rest = observed.record.last("span", "rest")
    if rest is None or rest.result is Result.FAILED:
        return "measure with no pressure first"
    return _blower_runs(observed)


def _rest(observed: Observation) -> ActionResult | None:
    steady = observed.settled(MEASURED_S)
    if steady is None:
        return None
    limit_pa, dp_pa = NEAR_ZERO * observed.equipment.span_pa, round(steady.mean_pa, 2)
    shown, limit = (observed.equipment.shown(pa) for pa in (steady.mean_pa, limit_pa))
    if abs(steady.mean_pa) > limit_pa:
        return failed(
            f"it reads {shown} with no pressure, more than {limit} from zero: are both lines open "
            "to the same air, and is the span right?",
            dp_pa=dp_pa,
        )
    return noted(f"at rest {shown}", dp_pa=dp_pa)


def _pressure(observed: Observation) -> ActionResult | None:
    steady = observed.settled(MEASURED_S)
    if steady is None:
        return None
    rest = observed.record.last("span", "rest")
    assert rest is not None  # refused before
    rise_pa, span_pa = steady.mean_pa - float(rest.values["dp_pa"]), observed.equipment.span_pa
    shown = observed.equipment.shown
    values: dict[str, object] = {"dp_pa": round(steady.mean_pa, 2), "rise_pa": round(rise_pa, 2)}
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
    manometer_pa = float(observed.fields["manometer"])
    values["manometer_pa"] = round(manometer_pa, 2)
    words = f"it rises by {shown(rise_pa)}, the manometer by {shown(manometer_pa)}"
    if abs(rise_pa - manometer_pa) > AGREES * span_pa:
        return failed(f"{words}: check the span in the settings and at the transmitter", **values)
    return passed(words, **values)


SPAN = ProcedureStep(
    "span",
    "Span and direction",
    "Pressure on the high side (the dirty side's line) makes dP rise; beside a manometer it rises "
    f"by the same, within {AGREES:.0%} of the span.",
    (LINES, LOCK_OUT),
    (
        Action("rest", "Measure with no pressure", (), _rest, refuse=_blower_runs),
        Action(
            "pressure",
            "Measure with pressure on the high side",
            (_MANOMETER,),
            _pressure,
            refuse=_no_rest,
        ),
    ),
    (("pressure", ""),),
)


# --- zero: with the blower proved off


def zero(equipment: Equipment) -> ProcedureStep:
    """The core takes the zero, and refuses where it must."""
    still = "The blower stands still, and is locked out"
    take = Action(
        "take",
        "Take the zero",
        (Question("still", still, AnswerType.CONSENT),),
        _zero,
        requests=_request_zero,
        timeout_s=equipment.setpoints.zeroing.average_s + 30.0,
    )
    return ProcedureStep(
        "zero",
        "Zero",
        "With the blower off and both lines open to the collector, the reading becomes zero. It is "
        "refused while the blower runs or has just stopped, and when the reading is too far from "
        "zero.",
        (LOCK_OUT,),
        (take,),
        (("take", ""),),
    )


def _request_zero(_observed: Observation) -> tuple[CoreRequest, ...]:
    return ({"request": "zero", "blower_off_confirmed": True},)


def _zero(observed: Observation) -> ActionResult | None:
    before, now = observed.before.zero, observed.now.zero
    if now.under_way or len(observed.snapshots) < 2:
        return None
    if (now.taken_utc_s, now.offset_pa) == (before.taken_utc_s, before.offset_pa):
        return failed("the zero was not taken: the log book says why", offset_pa=now.offset_pa)
    shown = observed.equipment.shown(now.offset_pa)
    return passed(f"zero taken: {shown} is subtracted from now on", offset_pa=now.offset_pa)
