"""Finding the dP transmitter, its span and direction, and its zero; proving each valve."""

from typing import Any

from dustcake.commissioning.cautions import (
    FIRST,
    LINES,
    LOCK_OUT,
    NO_FLOW,
    NOBODY_INSIDE,
    STORED_AIR,
)
from dustcake.commissioning.observation import Equipment, Observation
from dustcake.commissioning.procedure import (
    Action,
    ActionResult,
    ProcedureStep,
    failed,
    never,
    noted,
    passed,
    settings_lines,
)
from dustcake.commissioning.questions import AnswerType, Question
from dustcake.commissioning.record import Result
from dustcake.commissioning.scan import (
    AGREES,
    APPLIED,
    AT_REST,
    MOST_REGISTERS,
    MOST_SHOWN,
    MOST_UNITS,
    MOVED,
    NEAR_ZERO,
    bounds_of,
    last_scan,
    lines_of,
)
from dustcake.core.reading import Quality
from dustcake.core.setpoints import OutputKind
from dustcake.publish.wording import header_unit
from dustcake.units import show

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
        requests=lambda _: ({"request": "zero", "blower_off_confirmed": True},),
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


def _zero(observed: Observation) -> ActionResult | None:
    before, now = observed.before.zero, observed.now.zero
    if now.under_way or len(observed.snapshots) < 2:
        return None
    if (now.taken_utc_s, now.offset_pa) == (before.taken_utc_s, before.offset_pa):
        return failed("the zero was not taken: the log book says why", offset_pa=now.offset_pa)
    shown = observed.equipment.shown(now.offset_pa)
    return passed(f"zero taken: {shown} is subtracted from now on", offset_pa=now.offset_pa)


# --- valves: one at a time, with consent, seen at the header and heard at the row


OBSERVED_S = 3.0
LEAST_DIP = 0.02  # of header pressure: less is hardly seen above noise
"""Common practice, no source: a pulse takes a twentieth to a third of a header of fair size."""
_CAUTIONS = (STORED_AIR, NOBODY_INSIDE, NO_FLOW)


def valves(equipment: Equipment) -> ProcedureStep:
    """One pulse each. A sequencer board is proved by its own test."""
    pulsing = equipment.setpoints.pulsing
    if pulsing.kind is OutputKind.DEMAND_CONTACT:
        return _BOARD
    numbers = tuple(str(n) for n in range(1, len(pulsing.order) + 1))
    valve = Question("valve", "Valve", AnswerType.CHOICE, choices=numbers)
    clear = "Nobody is at filters, header or doors; ears protected"
    right = "One short bang, at that row and no other"
    pulse = Action(
        "pulse",
        "Pulse it once",
        (valve, Question("clear", clear, AnswerType.CONSENT)),
        _pulsed,
        requests=lambda observed: ({"request": "pulse", "valve": _valve(observed)},),
        timeout_s=pulsing.report_timeout_s + 20.0,
        item="valve",
    )
    heard = Action(
        "heard",
        "Say what was heard",
        (valve, Question("right", right, AnswerType.YES_NO)),
        _heard,
        refuse=_not_pulsed,
        item="valve",
    )
    return ProcedureStep(
        "valves",
        "Valves, one at a time",
        "Each valve fires on command, at the row it is numbered for, and the header dips. Refused "
        "while a door is open, there is smoke or no header pressure, or cleaning runs.",
        _CAUTIONS,
        (pulse, heard),
        tuple((action, number) for number in numbers for action in ("pulse", "heard")),
    )


def _valve(observed: Observation) -> int:
    return int(str(observed.fields["valve"]))


def _pulsed(observed: Observation) -> ActionResult | None:
    valve = _valve(observed)
    before, now = observed.before, observed.now
    if now.failures > before.failures:
        return failed(f"valve {valve} was not pulsed: the outputs do not follow their commands")
    if now.pulses[valve - 1] == before.pulses[valve - 1] or observed.elapsed_s < OBSERVED_S:
        return None
    if before.header_pa is None:
        return passed(f"valve {valve} was pulsed; no header transmitter to see its dip")
    unit = header_unit(observed.equipment.unit)
    lowest_pa = min(one.header_pa for one in observed.snapshots if one.header_pa is not None)
    dip = (before.header_pa - lowest_pa) / before.header_pa
    values: dict[str, object] = {
        "header_before_pa": round(before.header_pa),
        "header_lowest_pa": round(lowest_pa),
        "dip_percent": round(100 * dip, 1),
    }
    words = f"header {show(before.header_pa, unit)}, down to {show(lowest_pa, unit)} ({dip:.1%})"
    if dip < LEAST_DIP:
        return failed(
            f"valve {valve}: {words}: it does not fire. Check coil, wiring and pilot, after "
            "lock-out and venting",
            **values,
        )
    return passed(f"valve {valve}: {words}", **values)


def _not_pulsed(observed: Observation) -> str | None:
    valve = str(observed.fields["valve"])
    done = observed.record.last("valves", "pulse", valve)
    return None if done is not None else f"pulse valve {valve} first"


def _heard(observed: Observation) -> ActionResult:
    valve = observed.fields["valve"]
    if observed.fields["right"]:
        return passed(f"valve {valve}: one short bang, at its own row")
    return failed(
        f"valve {valve}: not one short bang at its row: check the order of `coils` in the "
        "settings, wiring and blow pipe"
    )


def _board_tested(observed: Observation) -> ActionResult:
    if observed.fields["right"]:
        return passed("every valve fired, by the board's own test")
    return failed("not every valve fired at its row: check wiring and settings of the board")


_EVERY_VALVE = "Every valve fired in its turn, each at its own row"
_BOARD = ProcedureStep(
    "valves",
    "Valves, by the sequencer board's own test",
    "The board fires each valve in its turn. Dustcake only closes its demand contact, and cannot "
    "choose a valve.",
    _CAUTIONS,
    (
        Action(
            "board",
            "Say what was seen",
            (Question("right", _EVERY_VALVE, AnswerType.YES_NO),),
            _board_tested,
        ),
    ),
    (("board", ""),),
)
