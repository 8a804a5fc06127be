"""What a replay prints: one JSON object a line for programs, or a line of words for people."""

import json
from abc import ABC, abstractmethod
from collections import Counter
from datetime import UTC
from typing import IO, Any

from dustcake.core.events import Event
from dustcake.core.record import record
from dustcake.publish.alarm_texts import alarm_title
from dustcake.publish.event_sentences import Display, event_sentence
from dustcake.publish.payloads import event_fields, utc_text
from dustcake.publish.wording import duration
from dustcake.units import PressureUnit
from dustcake_lab.replay.replay import Tally
from dustcake_lab.replay.what_if import Difference
from dustcake_lab.traces.columns import BadRow


@record
class Tallies:
    """What a replay came to: all of it, and of that what came while its answers held and what came
    ``beyond``. Both None where they hold to the end."""

    whole: Tally
    holding: Tally | None = None
    beyond: Tally | None = None


class Listing(ABC):
    """Where a replay's events go, in order. Bad rows and a refusal are for programs alone: whoever
    reads words has them named on stderr."""

    def __init__(self, out: IO[str], unit: PressureUnit) -> None:
        self._out = out
        self._unit = unit

    @abstractmethod
    def event(self, event: Event) -> None:
        """List one event."""

    def bad_row(self, row: BadRow) -> None:  # noqa: B027 -- words have it on stderr
        """List a row that cannot be used."""

    def refused(self, bad_rows: int) -> None:  # noqa: B027 -- the same
        """Say that nothing has been replayed, for this many rows that cannot be used."""

    @abstractmethod
    def summary(
        self, counted: Tallies, bad_rows: int, differs: Difference | None, notes: tuple[str, ...]
    ) -> None:
        """Say what it all came to: counts, times and notes."""


class JsonListing(Listing):
    """One JSON object a line."""

    def _object(self, content: dict[str, Any]) -> None:
        self._out.write(f"{json.dumps(content, allow_nan=False)}\n")

    def event(self, event: Event) -> None:
        """When, what, and its fields."""
        at = {"t_s": round(event.at.mono_s, 6), "utc": utc_text(event.at.utc_s)}
        self._object({**at, **event_fields(event, self._unit)})

    def bad_row(self, row: BadRow) -> None:
        """Line, column, value as it is written there, and problem."""
        place = {"line": row.line, "column": row.column, "value": row.value}
        self._object({"event": "bad_row", **place, "problem": row.problem})

    def refused(self, bad_rows: int) -> None:
        """In place of the summary."""
        self._object({"event": "refused", "bad_rows": bad_rows})

    def summary(
        self, counted: Tallies, bad_rows: int, differs: Difference | None, notes: tuple[str, ...]
    ) -> None:
        """What it all came to."""
        tally = counted.whole
        self._object(
            {
                "event": "summary",
                "samples": tally.samples,
                "lost_samples": tally.lost,
                "gaps": tally.gaps,
                "bad_rows": bad_rows,
                **counts(tally),
                "holds_until_s": None if differs is None else round(differs.at_s, 6),
                "differs": None if differs is None else differs.what,
                "while_it_holds": None if counted.holding is None else _happened(counted.holding),
                "beyond": None if counted.beyond is None else _happened(counted.beyond),
                "notes": list(notes),
            }
        )


class WordsListing(Listing):
    """A line of words for each event, in UTC, and a summary."""

    def _line(self, text: str) -> None:
        self._out.write(f"{text}\n")

    def event(self, event: Event) -> None:
        """When, and what happened."""
        at_s, utc_s, display = event.at.mono_s, event.at.utc_s, Display(self._unit, UTC)
        at = f"{at_s:.3f} s".rjust(14) if utc_s is None else display.time(utc_s)
        self._line(f"{at}  {event_sentence(event.body, display)}")

    def summary(
        self, counted: Tallies, bad_rows: int, differs: Difference | None, notes: tuple[str, ...]
    ) -> None:
        """What it all came to."""
        tally = counted.whole
        self._line("")
        self._line(f"samples          {tally.samples}, of which lost: {tally.lost}")
        if tally.gaps:
            self._line(f"gaps             {tally.gaps}, long enough for the reading to go stale")
        if bad_rows:
            self._line(f"unusable rows    {bad_rows}")
        for line in count_lines(tally):
            self._line(line)
        if differs is not None and counted.holding and counted.beyond:
            first = f"the first {duration(differs.at_s)}"
            self._line(f"while it holds   {first}: {_briefly(counted.holding)}")
            self._line(f"beyond that      {_briefly(counted.beyond)}; see the last note")
        for note in notes:
            self._line(f"note: {note}")


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
    """The same for people."""
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
