"""Writing the report of a commissioning."""

import sys
from pathlib import Path

from dustcake.cli.commission.talk import Talk
from dustcake.cli.common import BAD_USAGE, DONE, FAILED, fail
from dustcake.commissioning.observation import equipment_of
from dustcake.commissioning.record import decode
from dustcake.commissioning.report import MissingExtraError, report, to_html, to_pdf
from dustcake.settings.model import Settings


def write_report(talk: Talk, settings: Settings, file: Path) -> int:
    """Write ``file``, as HTML or PDF by its ending."""
    if file.suffix not in (".html", ".pdf"):
        fail(f"--report {file}: name a file that ends in .html or .pdf")
        return BAD_USAGE
    stored = talk.record()
    if stored is None:
        fail("there is no record yet")
        return FAILED
    record = decode(stored)
    collector = next(one for one in settings.collectors if one.name == record.collector)
    content = report(equipment_of(settings, collector), record)
    try:
        made = to_html(content).encode() if file.suffix == ".html" else to_pdf(content)
        file.write_bytes(made)
    except MissingExtraError as error:
        fail(str(error))
        return FAILED
    except OSError as error:
        fail(f"{file}: {error.strerror}")
        return FAILED
    print(f"written: {file}", file=sys.stderr)
    return DONE
