"""Print an interface as a program has it: the JSON Schema (draft 2020-12) of the settings file or
of every MQTT message, the AsyncAPI 3 document of plain mode, or the registers a PLC can read, or
the alarms with their life and texts (both Markdown).

example:
  dustcake schema --output schema.json
  dustcake schema plc
  dustcake schema alarms --output config/alarms.md

An editor that knows JSON Schema checks and completes a settings file whose first line is
  #:schema ./schema.json
"""

import argparse
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

from dustcake.cli.common import UsageError
from dustcake.publish.alarm_manual import alarm_manual
from dustcake.publish.messages import document, messages_schema
from dustcake.publish.plc import documentation
from dustcake.settings.json_schema import settings_schema
from dustcake.settings.monitoring import DEFAULT_ALARMS


def _json(content: dict[str, Any]) -> str:
    return json.dumps(content, indent=2, ensure_ascii=False) + "\n"


TEXTS: dict[str, Callable[[], str]] = {
    "settings": lambda: _json(settings_schema()),
    "messages": lambda: _json(messages_schema()),
    "asyncapi": lambda: _json(document()),
    "plc": documentation,
    "alarms": lambda: alarm_manual(DEFAULT_ALARMS.values()),
}


def configure(parser: argparse.ArgumentParser) -> None:
    """The options of `dustcake schema`."""
    parser.add_argument("of", nargs="?", choices=sorted(TEXTS), default="settings", help="which")
    parser.add_argument("--output", type=Path, metavar="F", help="write to this file instead")


def run(arguments: argparse.Namespace) -> None:
    """Carry it out."""
    output: Path | None = arguments.output
    text = TEXTS[arguments.of]()
    if output is None:
        print(text, end="")
        return
    try:
        output.write_text(text, encoding="utf-8")
    except OSError as error:
        reason = error.strerror or "cannot be written"
        text = f"--output {output}: {reason}; name a file this user may write"
        raise UsageError(text) from None
