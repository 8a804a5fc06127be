"""`dustcake history --export`: the journal as a trace. Imported only for that option."""

import argparse
from pathlib import Path

from dustcake.adapters.store import StoreRefused
from dustcake.cli.common import CommandError, UsageError, chosen_collector
from dustcake.settings.model import Settings
from dustcake.settings.setpoints import to_setpoints
from dustcake_lab.commands.common import file_called
from dustcake_lab.traces.columns import PARQUET_ENDINGS, TraceError
from dustcake_lab.traces.files import UnwritableError, export

trace_name = file_called(".csv", *PARQUET_ENDINGS)
"""The file to write. Raises ``argparse.ArgumentTypeError``: a workbook that is CSV inside would not
open."""


def export_trace(settings: Settings, arguments: argparse.Namespace) -> None:
    """Write it."""
    about_events = [name for name in ("kind", "json", "csv") if getattr(arguments, name)]
    if arguments.only is not None:
        about_events.insert(0, arguments.only)
    if about_events:
        raise UsageError(
            f"--export goes without {', '.join(f'--{name}' for name in about_events)}: a trace has "
            "all that was read; leave the one or the other out"
        )
    collector = chosen_collector(settings, arguments.collector)
    journal, to = Path(settings.journal.path), arguments.export
    try:
        rows = export(journal, to_setpoints(collector), to, arguments.since, arguments.until)
    except StoreRefused as refused:
        raise CommandError(str(refused)) from None
    except (TraceError, UnwritableError) as error:
        raise UsageError(str(error)) from None
    print(f"{rows} readings written to {to}")
