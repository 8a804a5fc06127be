"""Finding the dP transmitter, its span and direction, and its zero."""

from typing import Any

from dustcake.commissioning.cautions import FIRST, LINES, LOCK_OUT
from dustcake.commissioning.parts import Action, Ask, Form, Step
from dustcake.commissioning.record import Result
from dustcake.commissioning.scan import (
    AGREES,
    MOST_REGISTERS,
    MOST_SHOWN,
    MOST_UNITS,
    MOVED,
    NEAR_ZERO,
    lines_of,
)
from dustcake.commissioning.seen import Asked, Outcome, Site, Watched, failed, noted, passed
from dustcake.commissioning.snippet import lines
from dustcake.core.reading import Quality

MEASURED_S = 5.0
TABLE = "collector.transmitter"
REST, APPLIED = "at rest", "with pressure on it"


def transmitter(site: Site) -> Step:
    """Find it: by what the settings say, or by scanning units and registers within bounds."""
    scan = Action(
        "scan",
        "Scan for it",
        (
            Ask("bus", "Bus", Form.CHOICE, default=site.buses[0], choices=site.buses),
            Ask("first_unit", "First unit", Form.NUMBER, default="1", low=1, high=247),
            Ask("last_unit", "Last unit", Form.NUMBER, default="5", low=1, high=247),
            Ask(
                "table",
                "Registers",
                Form.CHOICE,
                default="both",
                choices=("both", "input", "holding"),
            ),
            Ask("first_register", "First register", Form.NUMBER, default="0", low=0, high=65535),
            Ask("last_register", "Last register", Form.NUMBER, default="31", low=0, high=65535),
            Ask("pressure", "Pressure", Form.CHOICE, default=REST, choices=(REST, APPLIED)),
            Ask("manometer", "What a manometer shows", Form.PRESSURE, required=False),
        ),
        _never,
        refuse=_unusable_bounds,
        patience_s=600.0,
        scans=True,
        aside=True,
    )
    choose = Action(
        "choose",
        "Choose a meaning",
        (Ask("number", "Its number in the scan", Form.NUMBER, low=1, high=MOST_SHOWN),),
        _chosen,
        refuse=_no_such_candidate,
        aside=True,
    )
    read = Action("read", "Read it as the settings say", (), _read)
    return Step(
        "transmitter",
        "Find the transmitter",
        "The daemon reads dP where the settings say, and it is plausible. If not: scan at rest, "
        "then "
        "once more with pressure on the high side, best beside a manometer; choose the meaning "
        "that "
        "follows, write its lines into the settings file, and restart the daemon.",
        (*FIRST, LINES),
        (read, scan, choose),
        (("read", ""),),
    )


def _never(_watched: Watched) -> Outcome | None:
    return None


def _unusable_bounds(watched: Watched) -> str | None:
    fields = watched.fields
    units = float(fields["last_unit"]) - float(fields["first_unit"]) + 1
    registers = float(fields["last_register"]) - float(fields["first_register"]) + 1
    if not 1 <= units <= MOST_UNITS:
        return f"units: {MOST_UNITS} at most in one scan, the last not before the first"
    if not 1 <= registers <= MOST_REGISTERS:
        return f"registers: {MOST_REGISTERS} at most in one scan, the last not before the first"
    if fields["pressure"] == APPLIED and last_scan(watched, REST) is None:
        return f"scan {REST} first: what follows the pressure is found by comparing the two"
    return None


def last_scan(watched: Watched, pressure: str) -> dict[str, Any] | None:
    """What the newest scan at this pressure found."""
    for entry in reversed(watched.record.of("transmitter", "scan")):
        if entry.fields["pressure"] == pressure:
            return entry.values
    return None


def _candidate(watched: Watched) -> dict[str, object] | None:
    entry = watched.record.last("transmitter", "scan")
    found = [] if entry is None else entry.values["candidates"]
    number = int(float(watched.fields["number"]))
    return found[number - 1] if number <= len(found) else None


def _no_such_candidate(watched: Watched) -> str | None:
    if watched.record.last("transmitter", "scan") is None:
        return "scan first"
    return None if _candidate(watched) is not None else "the last scan has no such number"


def _chosen(watched: Watched) -> Outcome:
    candidate = _candidate(watched)
    assert candidate is not None  # refused before
    chosen = candidate["lines"]
    assert isinstance(chosen, dict)
    snippet = lines(TABLE, chosen)
    if chosen == lines_of(watched.site.collector.transmitter):
        return noted("that is what the settings say already", settings=snippet)
    return noted(
        "write these lines into the settings file in place of those there, restart the daemon, and "
        "read it again",
        settings=snippet,
        changes={"transmitter": chosen},
    )


def _read(watched: Watched) -> Outcome | None:
    now = watched.now
    if watched.elapsed_s < 4.0:
        return None
    steady = watched.steady(4.0)
    if steady is None or now.quality in (Quality.FAILURE, Quality.OUT_OF_SPECIFICATION):
        quality = now.quality.replace("_", " ")
        return failed(
            f"dP is not read as it should be ({quality}): check supply, wiring, bus, unit and "
            "register, or scan",
            quality=now.quality,
        )
    shown = watched.site.shown(steady.mean_pa)
    where = lines_of(watched.site.collector.transmitter)
    return passed(
        f"dP reads {shown}, {now.quality.replace('_', ' ')}",
        dp_pa=round(steady.mean_pa, 2),
        quality=now.quality,
        settings=lines(TABLE, where),
    )


def span() -> Step:
    """Span and direction: pressure on the high side makes it rise, by as much as it should."""
    rest = Action("rest", "Measure with no pressure", (), _rest, refuse=_blower_runs)
    pressure = Action(
        "pressure",
        "Measure with pressure on the high side",
        (Ask("manometer", "What a manometer shows", Form.PRESSURE, required=False),),
        _pressure,
        refuse=_no_rest,
    )
    return Step(
        "span",
        "Span and direction",
        "Pressure on the high side (the dirty side's line) makes dP rise; beside a manometer it "
        "rises "
        f"by the same, within {AGREES:.0%} of the span.",
        (LINES, LOCK_OUT),
        (rest, pressure),
        (("pressure", ""),),
    )


def _blower_runs(watched: Watched) -> str | None:
    return "the blower runs: this wants no flow" if watched.now.blower_running else None


def _no_rest(watched: Watched) -> str | None:
    rest = watched.record.last("span", "rest")
    if rest is None or rest.result is Result.FAILED:
        return "measure with no pressure first"
    return _blower_runs(watched)


def _rest(watched: Watched) -> Outcome | None:
    steady = watched.settled(MEASURED_S)
    if steady is None:
        return None
    limit_pa = NEAR_ZERO * watched.site.span_pa
    if abs(steady.mean_pa) > limit_pa:
        shown, limit = watched.site.shown(steady.mean_pa), watched.site.shown(limit_pa)
        return failed(
            f"it reads {shown} with no pressure, more than {limit} from zero: are both lines open "
            "to "
            "the same air, and is the span right?",
            dp_pa=round(steady.mean_pa, 2),
        )
    return noted(f"at rest {watched.site.shown(steady.mean_pa)}", dp_pa=round(steady.mean_pa, 2))


def _pressure(watched: Watched) -> Outcome | None:
    steady = watched.settled(MEASURED_S)
    if steady is None:
        return None
    rest = watched.record.last("span", "rest")
    assert rest is not None  # refused before
    rise_pa, span_pa = steady.mean_pa - float(rest.values["dp_pa"]), watched.site.span_pa
    shown = watched.site.shown
    values: dict[str, object] = {"dp_pa": round(steady.mean_pa, 2), "rise_pa": round(rise_pa, 2)}
    if rise_pa <= -MOVED * span_pa:
        return failed(f"it falls, by {shown(-rise_pa)}: high and low side are swapped", **values)
    if rise_pa < MOVED * span_pa:
        return failed(
            f"it hardly moves ({shown(rise_pa)}): is the pressure on the high side, and the "
            "snubber "
            "open?",
            **values,
        )
    if "manometer" in watched.fields:
        manometer_pa = float(watched.fields["manometer"])
        values["manometer_pa"] = round(manometer_pa, 2)
        if abs(rise_pa - manometer_pa) > AGREES * span_pa:
            return failed(
                f"it rises by {shown(rise_pa)}, the manometer by {shown(manometer_pa)}: check the "
                "span in the settings and at the transmitter",
                **values,
            )
        return passed(
            f"it rises by {shown(rise_pa)}, the manometer by {shown(manometer_pa)}", **values
        )
    return passed(f"it rises, by {shown(rise_pa)}; not compared with a manometer", **values)


def zero(site: Site) -> Step:
    """The zero, with the blower proved off."""
    take = Action(
        "take",
        "Take the zero",
        (Ask("still", "The blower stands still, and is locked out", Form.CONSENT),),
        _zero,
        requests=_ask_zero,
        patience_s=site.setpoints.zeroing.average_s + 30.0,
    )
    return Step(
        "zero",
        "Zero",
        "With the blower off and both lines open to the collector, the reading becomes zero. It is "
        "refused while the blower runs or has just stopped, and when the reading is too far from "
        "zero.",
        (LOCK_OUT,),
        (take,),
        (("take", ""),),
    )


def _ask_zero(_watched: Watched) -> tuple[Asked, ...]:
    return ({"request": "zero", "blower_off_confirmed": True},)


def _zero(watched: Watched) -> Outcome | None:
    before, now = watched.before.zero, watched.now.zero
    if now.under_way or len(watched.seen) < 2:
        return None
    if (now.taken_utc_s, now.offset_pa) == (before.taken_utc_s, before.offset_pa):
        return failed("the zero was not taken: the log book says why", offset_pa=now.offset_pa)
    shown = watched.site.shown(now.offset_pa)
    return passed(f"zero taken: {shown} is subtracted from now on", offset_pa=now.offset_pa)
