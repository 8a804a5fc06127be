"""What a replay prints: one JSON object a line for programs, or a line of words for people."""

import json
from collections import Counter
from datetime import UTC
from typing import IO, Any

from dustcake.core.events import Event
from dustcake.publish.alarm_texts import alarm_title
from dustcake.publish.event_sentences import Display, event_sentence
from dustcake.publish.payloads import event_fields, utc_text
from dustcake.publish.wording import duration
from dustcake.units import PressureUnit
from dustcake_lab.replay.replay import Tally
from dustcake_lab.replay.what_if import Difference
from dustcake_lab.traces.columns import BadRow


class Listing:
    """Where a replay's events go, in order: a line of words for each, in UTC, and a summary. Bad
    rows and a refusal are for programs alone: whoever reads words has them named on stderr."""

    def __init__(self, out: IO[str], unit: PressureUnit) -> None:
        self._out = out
        self._unit = unit

    def event(self, event: Event) -> None:
        """When, and what happened."""
        at_s, utc_s, display = event.at.mono_s, event.at.utc_s, Display(self._unit, UTC)
        at = f"{at_s:.3f} s".rjust(14) if utc_s is None else display.time(utc_s)
        print(f"{at}  {event_sentence(event.body, display)}", file=self._out)

    def bad_row(self, row: BadRow) -> None:
        """List a row that cannot be used."""

    def refused(self, bad_rows: int) -> None:
        """Say that nothing has been replayed, for this many rows that cannot be used."""

    def summary(
        self, tally: Tally, bad_rows: int, differs: Difference | None, notes: tuple[str, ...]
    ) -> None:
        """What it all came to: counts, times and notes."""
        lines = ["", f"samples          {tally.samples}, of which lost: {tally.lost}"]
        if tally.gaps:
            lines.append(f"gaps             {tally.gaps}, long enough for the reading to go stale")
        if bad_rows:
            lines.append(f"unusable rows    {bad_rows}")
        lines += count_lines(tally)
        if differs is not None:
            holding, beyond = tally.split_at(differs.at_s)
            first = f"the first {duration(differs.at_s)}"
            lines.append(f"while it holds   {first}: {_briefly(holding)}")
            lines.append(f"beyond that      {_briefly(beyond)}; see the last note")
        lines += [f"note: {note}" for note in notes]
        print(*lines, sep="\n", file=self._out)


class JsonListing(Listing):
    """One JSON object a line."""

    def _object(self, **content: Any) -> None:
        print(json.dumps(content, allow_nan=False), file=self._out)

    def event(self, event: Event) -> None:
        """When, what, and its fields."""
        at = {"t_s": round(event.at.mono_s, 6), "utc": utc_text(event.at.utc_s)}
        self._object(**at, **event_fields(event, self._unit))

    def bad_row(self, row: BadRow) -> None:
        """Line, column, value as it is written there, and problem."""
        place = {"line": row.line, "column": row.column, "value": row.value}
        self._object(event="bad_row", **place, problem=row.problem)

    def refused(self, bad_rows: int) -> None:
        """What stands in place of the summary."""
        self._object(event="refused", bad_rows=bad_rows)

    def summary(
        self, tally: Tally, bad_rows: int, differs: Difference | None, notes: tuple[str, ...]
    ) -> None:
        """What it all came to; of a difference, what came before it and after."""
        parts = (None, None) if differs is None else map(_happened, tally.split_at(differs.at_s))
        holding, beyond = parts
        self._object(
            event="summary",
            samples=tally.samples,
            lost_samples=tally.lost,
            gaps=tally.gaps,
            bad_rows=bad_rows,
            **counts(tally),
            holds_until_s=None if differs is None else round(differs.at_s, 6),
            differs=None if differs is None else differs.what,
            while_it_holds=holding,
            beyond=beyond,
            notes=notes,
        )


def counts(tally: Tally) -> dict[str, Any]:
    """What any run of the core came to, for programs."""
    return {
        "duration_s": round(tally.duration_s, 6),
        "start_utc": utc_text(tally.first_utc_s),
        "end_utc": utc_text(tally.last_utc_s),
        "cleaning_s": round(tally.cleaning_s, 6),
        "cleaning_at_end": tally.cleaning_since_s is not None,
        **_happened(tally),
    }


def _happened(tally: Tally) -> dict[str, Any]:
    return {
        "cleaning_cycles": tally.runs,
        "pulses": tally.pulses.total(),
        "pulses_by_valve": {str(valve): n for valve, n in sorted(tally.pulses.items())},
        "alarms": tally.alarms.total(),
        "alarms_by_name": dict(sorted(tally.alarms.items())),
    }


def _briefly(tally: Tally) -> str:
    pulses, alarms = tally.pulses.total(), tally.alarms.total()
    return f"cleaning started {_times(tally.runs)}, pulses {pulses}, alarms raised {alarms}"


def count_lines(tally: Tally) -> list[str]:
    """What any run of the core came to, for people."""
    runs = f"started {_times(tally.runs)}, {duration(tally.cleaning_s)} in all"
    titled = Counter({alarm_title(name): n for name, n in tally.alarms.items()})
    open_end = ", still under way at the end" if tally.cleaning_since_s is not None else ""
    return [
        f"duration         {duration(tally.duration_s)}",
        f"cleaning         {runs}{open_end}",
        f"pulses           {_each('valve ', tally.pulses)}",
        f"alarms raised    {_each('', titled)}",
    ]


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"


def _each(what: str, counted: Counter[Any]) -> str:
    if not counted:
        return "0"
    each = ", ".join(f"{what}{name}: {n}" for name, n in sorted(counted.items()))
    return f"{counted.total()} ({each})"
