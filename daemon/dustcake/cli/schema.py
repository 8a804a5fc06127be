"""`dustcake schema`: the JSON Schema of the settings file."""

import argparse
import sys
from pathlib import Path

from dustcake.settings.json_schema import schema_text

_EPILOG = """\
example:
  dustcake schema --output schema.json

An editor that knows JSON Schema checks and completes a settings file whose first line is
  #:schema ./schema.json
"""


def add(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the command `schema`."""
    parser = subparsers.add_parser(
        "schema",
        help="print the JSON Schema of the settings file",
        description="Print the JSON Schema (draft 2020-12) of the settings file.",
        epilog=_EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--output", type=Path, metavar="F", help="write to this file instead")
    parser.set_defaults(func=_schema)


def _schema(arguments: argparse.Namespace) -> int:
    output: Path | None = arguments.output
    if output is None:
        print(schema_text(), end="")
        return 0
    try:
        output.write_text(schema_text(), encoding="utf-8")
    except OSError as error:
        reason = error.strerror or "cannot be written"
        print(f"--output {output}: {reason}; name a file this user may write", file=sys.stderr)
        return 2
    return 0
