"""Commission a collector: ordered checks with cautions, each put on record.

examples:
  dustcake commission                             step by step, with questions; leave it any time
  dustcake commission --list
  dustcake commission --step valves               what it is about, and what is on record of it
  dustcake commission --step valves --do pulse --set valve=1 --set clear=yes
  dustcake commission --answers answers.jsonl     a script: {"step": .., "action": .., "fields": {}}
  dustcake commission --copy new.toml             the settings with what was found, as a copy
  dustcake commission --report report.pdf         or report.html
  dustcake commission --new                       set the record aside, and begin another

The daemon must be running: it has the bus, keeps the record beside its journal, and after a restart
goes on where it was. Exit code 0: done; 1: refused or failed, with the reason; 2: bad usage; 3: no
daemon answers.
"""

import argparse
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dustcake.adapters.local_client import NoDaemonError
from dustcake.cli.commission.terminal import (
    CommissionClient,
    Content,
    entry_lines,
    step_lines,
    step_list,
    walk,
)
from dustcake.cli.common import (
    DONE,
    FAILED,
    UNREACHED,
    CommandError,
    UsageError,
    add_settings,
    chosen_collector,
    fail,
    settings_in,
)

if TYPE_CHECKING:
    from dustcake.commissioning.record import Record
    from dustcake.settings.model import Settings


def configure(parser: argparse.ArgumentParser) -> None:
    """The options of `dustcake commission`."""
    add_settings(parser, optional=True)
    parser.add_argument("--collector", metavar="NAME", help="which, if there are several")
    what = parser.add_mutually_exclusive_group()
    what.add_argument("--list", action="store_true", help="the steps, and how far each is")
    what.add_argument("--step", metavar="STEP", help="show one step, or with --do do something")
    what.add_argument(
        "--answers", type=Path, metavar="FILE", help="do what a file of JSON lines says"
    )
    what.add_argument("--report", type=Path, metavar="FILE", help="write the report, .html or .pdf")
    what.add_argument("--copy", type=Path, metavar="FILE", help="write a copy of the settings file")
    what.add_argument("--new", action="store_true", help="set the record aside, begin another")
    parser.add_argument("--do", metavar="ACTION", help="with --step: what to do")
    parser.add_argument(
        "--set",
        action="append",
        default=[],
        metavar="NAME=ANSWER",
        help="with --do: an answer to a question of the action",
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object a line")


def run(arguments: argparse.Namespace) -> int:
    """Exit code, once what was asked has been carried out."""
    settings = settings_in(arguments.settings)
    collector = chosen_collector(settings, arguments.collector)
    if (arguments.do or arguments.set) and not arguments.step:
        raise UsageError("--do and --set go with --step")
    client = CommissionClient(Path(settings.control.socket), collector.name)
    try:
        return _chosen(arguments, settings, client)
    except NoDaemonError as error:
        text = f"{error}. The daemon carries the steps out: it has the bus"
        raise CommandError(text, UNREACHED) from None


def _chosen(arguments: argparse.Namespace, settings: "Settings", client: CommissionClient) -> int:
    as_json: bool = arguments.json
    if arguments.new:
        return _print(client.begin(), "done", as_json=as_json)
    if arguments.report is not None:
        _write_report(client, settings, arguments.report)
    elif arguments.copy is not None:
        _copy_settings(arguments.settings, client, arguments.copy)
    elif arguments.answers is not None:
        return _answers(arguments.answers, client, as_json=as_json)
    elif arguments.do is not None:
        return _do(client, arguments.step, arguments.do, _fields(arguments.set), as_json=as_json)
    elif arguments.list or arguments.step is not None or as_json:
        _show(client, arguments.step, as_json=as_json)
    else:
        walk(client)
    return DONE


def _print(answer: Content, done: str, *, as_json: bool, of: str = "") -> int:
    """Exit code, once what came of a request ``of`` the person is shown."""
    if as_json:
        print(json.dumps(answer, ensure_ascii=False))
    elif answer["accepted"]:
        print(done)
    else:
        fail(f"{of}refused: {answer['reason']}")
    return DONE if answer["accepted"] else FAILED


def _show(client: CommissionClient, step: str | None, *, as_json: bool) -> None:
    view = client.view()
    steps = {one["step"]: one for one in view["steps"]}
    if step not in (None, *steps):
        raise UsageError(f"--step: one of {', '.join(steps)}")
    shown, lines = (view, step_list) if step is None else (steps[step], step_lines)
    print(json.dumps(shown, ensure_ascii=False) if as_json else "\n".join(lines(shown)))


def _fields(given: list[str]) -> Content:
    fields = {}
    for one in given:
        name, equals, value = one.partition("=")
        if not equals:
            raise UsageError(f"--set {one}: write NAME=ANSWER")
        fields[name.strip()] = value.strip()
    return fields


def _do(client: CommissionClient, step: str, action: str, fields: Content, *, as_json: bool) -> int:
    answer = client.do(step, action, fields)
    entry = answer["entry"]
    words = "" if entry is None else "\n".join(entry_lines(entry))
    code = _print(answer, words, as_json=as_json, of=f"{step} {action}: ")
    return FAILED if entry is not None and entry["result"] == "failed" else code


def _answers(file: Path, client: CommissionClient, *, as_json: bool) -> int:
    """Exit code, once the answers are given line by line, until one is refused or fails."""
    try:
        answers = [json.loads(line) for line in file.read_text().splitlines() if line.strip()]
        parts = [(one["step"], one["action"], one.get("fields", {})) for one in answers]
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        like = '{"step": "zero", "action": "take", "fields": {}}'
        raise UsageError(f"{file}: {error}: give lines like {like}") from None
    for step, action, fields in parts:
        code = _do(client, step, action, fields, as_json=as_json)
        if code != DONE:
            return code
    return DONE


# --- the record as a report, and as a copy of the settings file, which itself is never touched


def _record(client: CommissionClient) -> "Record":
    """The record so far. Raises CommandError."""
    from dustcake.commissioning.record import RecordError, decode

    stored = client.record()
    if stored is None:
        raise CommandError("there is no record yet")
    try:
        return decode(stored)
    except RecordError as error:
        raise CommandError(str(error)) from None


def _write_report(client: CommissionClient, settings: "Settings", file: Path) -> None:
    """Write ``file``, as HTML or PDF by its ending."""
    from dustcake.commissioning.observation import equipment_of
    from dustcake.commissioning.procedure import RefusedError
    from dustcake.commissioning.report import RENDER, report

    render = RENDER.get(file.suffix[1:])
    if render is None:
        raise UsageError(f"--report {file}: name a file that ends in .html or .pdf")
    record = _record(client)
    collector = chosen_collector(settings, record.collector)
    try:
        file.write_bytes(render(report(equipment_of(settings, collector), record)))
    except RefusedError as error:
        raise CommandError(str(error)) from None
    except OSError as error:
        raise CommandError(f"{file}: {error.strerror}") from None
    print(f"written: {file}", file=sys.stderr)


def _copy_settings(settings: Path, client: CommissionClient, copy: Path) -> None:
    """Write ``copy``: the settings file with the transmitter that was chosen and the set points
    that were decided on, all else as it is, comments too. Raises CommandError."""
    from dustcake.commissioning.steps.operation import changes_of

    record = _record(client)
    changes = changes_of(record)
    if not changes:
        raise CommandError(
            "nothing has been chosen or proposed yet, or what was in force is kept, so there is "
            "nothing to write"
        )
    _write_new(copy, _changed(settings, record.collector, changes))
    print(f"written: {copy}")
    for table, lines in changes.items():
        print(f"  {table}: {', '.join(f'{name} = {value}' for name, value in lines.items())}")


def _write_new(file: Path, text: str) -> None:
    """Write settings that are in order to a file that is not there yet. Raises CommandError."""
    from dustcake.settings.errors import SettingsError
    from dustcake.settings.load import parse_settings

    try:
        parse_settings(text, str(file))
        with file.open("x", encoding="utf-8") as new:
            new.write(text)
    except SettingsError as error:
        cause = f"the copy would not be in order, so it is not written: {error}"
        raise CommandError(cause) from None
    except FileExistsError:
        raise CommandError(f"{file} is there already: name a new file") from None
    except OSError as error:
        raise CommandError(f"{file}: {error.strerror}") from None


def _changed(settings: Path, collector: str, changes: Content) -> str:
    try:
        import tomlkit
    except ImportError:
        raise CommandError(
            "a copy with its comments needs the extra `commission`; without it write the lines "
            "that `dustcake commission --step transmitter` shows by hand"
        ) from None
    document: Any = tomlkit.parse(settings.read_text(encoding="utf-8-sig"))
    table = next(one for one in document["collector"] if one["name"] == collector)
    for name, lines in changes.items():
        found = table.setdefault(name, tomlkit.table())
        if name == "transmitter":  # what the old kind needed would be wrong for the new one
            for key in found.keys() - lines.keys():
                del found[key]
        found.update(lines)
    return str(tomlkit.dumps(document))
