"""Take the decisions of the daemon on a recorded trace, and say why.

example:
  dustcake replay march.csv --settings /etc/dustcake/dustcake.toml --json

The trace is CSV with a header, Parquet (extra `analysis`) or a daemon's journal. Columns: `time`
(ISO 8601 with zone, or seconds from the start) and one of `dp_pa`, `dp_inh2o`, `dp_mbar`,
`dp_mmh2o`. Optional: contacts (1 or 0) `blower_running`, `smoke`, `door_open`, `process_running`,
`stop`, `drum_full`; `header_pa`; `flow_m3s` (checked, but no decision rests on it); and what was
done since the row before: `pulse_valve` (1, 2, ...), `pulses` (how many), `cleaning` (1 or 0). An
empty cell is a sample that was lost; a gap in time makes the reading stale, as in the running
daemon. `dustcake history --export` writes one.

A row that cannot be used is named by its line. Then nothing is replayed, unless --skip-bad-rows
is given: such a row then counts as a lost sample, or as nothing where its time is no good.

The same decisions are taken as in the running daemon, with outputs and journal healthy. A pulse in
a replay cannot change the dP that was recorded, so what-if answers hold only until the first pulse
that the recording did not have; the summary says when that is. Contacts and transmitters of the
settings for which the trace has no column are replayed as not fitted; the summary says which.

With --json each event is one object: `t_s` (seconds from the first row), `utc` (or null), `event`,
and its fields. The last one is the summary; in it `cleaning_cycles` counts the times cleaning
started, and `alarms` the times an alarm was raised; of these `while_it_holds` has what came up to
`holds_until_s`, while the answers hold, and `beyond` what came after it. Exit code 0: done; 2: the
settings, the options or the trace are not in order.
"""

import argparse
import shutil
import sys
import tempfile
from pathlib import Path
from typing import IO, TYPE_CHECKING

from dustcake.adapters.store import StoreRefused
from dustcake.cli.common import BAD_USAGE, DONE, UsageError, chosen_collector, settings_in
from dustcake.settings.model import Collector
from dustcake.settings.setpoints import to_setpoints
from dustcake_lab.commands.common import BadRowReport, long_work, progress_line
from dustcake_lab.replay.listing import JsonListing, Listing
from dustcake_lab.replay.replay import Replay, match_columns
from dustcake_lab.replay.what_if import CommandLog, caveat, first_difference
from dustcake_lab.traces.columns import BadRow, TraceError
from dustcake_lab.traces.files import OpenTrace, open_any

if TYPE_CHECKING:
    from dustcake_lab.traces.samples import SampleStream, UsableStream

_KEPT_IN_MEMORY_BYTES = 8_000_000
_PROGRESS_FROM_BYTES = 20_000_000
_PROGRESS_EVERY_BYTES = 5_000_000


def configure(parser: argparse.ArgumentParser) -> None:
    """The options of `dustcake replay`."""
    add = parser.add_argument
    add("trace", type=Path, metavar="TRACE", help="the recorded trace")
    add("--settings", type=Path, metavar="FILE", required=True, help="the settings file (TOML)")
    add("--collector", metavar="NAME", help="which collector, where the settings have several")
    add("--skip-bad-rows", action="store_true", help="go on at rows that cannot be used")
    add("--json", action="store_true", help="print one JSON object a line")


def run(arguments: argparse.Namespace) -> int:
    """Carry it out; the exit code."""
    collector = chosen_collector(settings_in(arguments.settings), arguments.collector)
    try:
        return _replay(collector, arguments)
    except TraceError as error:
        raise UsageError(f"{arguments.trace}: {error}") from None
    except StoreRefused as refused:
        raise UsageError(str(refused)) from None


def _replay(collector: Collector, arguments: argparse.Namespace) -> int:
    skip: bool = arguments.skip_bad_rows
    setpoints = to_setpoints(collector)
    with (
        open_any(arguments.trace, setpoints) as trace,
        tempfile.SpooledTemporaryFile(_KEPT_IN_MEMORY_BYTES, "w+", encoding="utf-8") as spool,
    ):
        # Until the last row has been read the trace may still be refused as a whole.
        out: IO[str] = sys.stdout if skip else spool
        listing = (JsonListing if arguments.json else Listing)(out, collector.shown_in)
        match = match_columns(setpoints, trace.columns)
        bad_rows = BadRowReport(skip=skip)
        commands = CommandLog()
        replay = Replay(match.setpoints, commands, trace.recorded)
        with long_work():
            samples = _usable(trace, arguments.trace, match.unused, bad_rows, listing, out)
            for event in replay.events(samples):
                listing.event(event)
        bad_rows.close()
        if bad_rows.refused:
            listing.refused(bad_rows.count)
        elif replay.tally.samples == 0:
            raise TraceError("no row that can be used after the header")
        else:
            tally, recorded = replay.tally, trace.recorded
            differs = first_difference(recorded, commands)
            until = caveat(differs, recorded, tally.duration_s)
            notes = (*match.notes, *tally.notes(match.setpoints.stale_after_s), until)
            listing.summary(tally, bad_rows.count, differs, notes)
        if not skip:
            spool.seek(0)
            shutil.copyfileobj(spool, sys.stdout)
    return BAD_USAGE if bad_rows.refused else DONE


def _usable(
    trace: OpenTrace,
    file: Path,
    unused: tuple[str, ...],
    bad_rows: BadRowReport,
    listing: Listing,
    out: IO[str],
) -> "UsableStream":
    """The samples that can be used; of a refused trace none after the first row that cannot, but
    its rows are still checked, and what had been listed before is withdrawn."""
    for row in _with_progress(trace, file, unused):
        if not isinstance(row, BadRow):
            if not bad_rows.refused:
                yield row
            continue
        first = bad_rows.count == 0
        named = bad_rows.add(row)
        if bad_rows.refused and first:
            out.seek(0)
            out.truncate()
        if named or not bad_rows.refused:
            listing.bad_row(row)
        if not bad_rows.refused and row.poll is not None:
            yield row.poll


def _with_progress(trace: OpenTrace, file: Path, unused: tuple[str, ...]) -> "SampleStream":
    """The rows; of a long trace, with how far it has been read, if somebody is watching."""
    rows, size_bytes = trace.samples(unused), file.stat().st_size
    line = progress_line() if size_bytes >= _PROGRESS_FROM_BYTES else None
    if line is None:
        yield from rows
        return
    shown_bytes = -_PROGRESS_EVERY_BYTES
    for row in rows:
        read_bytes = trace.bytes_read()
        if read_bytes >= shown_bytes + _PROGRESS_EVERY_BYTES:
            shown_bytes = read_bytes
            line.show(f"replaying: {read_bytes / 1e6:.0f} of {size_bytes / 1e6:.0f} MB")
        yield row
    line.close()
