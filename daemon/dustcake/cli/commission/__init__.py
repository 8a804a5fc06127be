"""`dustcake commission`: a first start step by step, with a record, carried out by the daemon."""

import argparse
import json
from pathlib import Path

from dustcake.adapters.local_socket import NoDaemonError
from dustcake.cli.commission.copying import CopyError, copy_settings
from dustcake.cli.commission.reporting import write_report
from dustcake.cli.commission.talk import Talk
from dustcake.cli.commission.walk import walk
from dustcake.cli.commission.words import result_line, step_lines, step_list
from dustcake.cli.common import (
    BAD_USAGE,
    DONE,
    FAILED,
    UNREACHED,
    add_settings,
    fail,
    settings_or_none,
)
from dustcake.settings.model import Settings

DESCRIPTION = "Commission a collector: ordered checks with cautions, each put on record."
EPILOG = """\
examples:
  dustcake commission                             step by step, with questions; leave it any time
  dustcake commission --list
  dustcake commission --step valves               what it is about, and what is on record of it
  dustcake commission --step valves --do pulse --set valve=1 --set clear=yes
  dustcake commission --answers answers.jsonl     a script: {"step": .., "action": .., "fields": {}}
  dustcake commission --copy new.toml             the settings with what was found, as a copy
  dustcake commission --report report.pdf         or report.html
  dustcake commission --new                       put the record by, and begin another

The daemon must be running: it has the bus, keeps the record beside its journal, and after a restart
goes on where it was. Exit code 0: done; 1: refused or failed, with the reason; 2: bad usage; 3: no
daemon answers.
"""


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
    what.add_argument("--new", action="store_true", help="begin a new record; the old is put by")
    parser.add_argument("--do", metavar="ACTION", help="with --step: what to do")
    parser.add_argument(
        "--set",
        action="append",
        default=[],
        metavar="NAME=ANSWER",
        help="with --do: an answer to what is asked",
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object a line")


def run(arguments: argparse.Namespace) -> int:
    """Carry it out; the exit code."""
    settings = settings_or_none(arguments.settings)
    if settings is None:
        return BAD_USAGE
    names = [collector.name for collector in settings.collectors]
    name = arguments.collector or (names[0] if len(names) == 1 else None)
    if name not in names:
        fail(f"--collector: name one of {', '.join(names)}")
        return BAD_USAGE
    if (arguments.do or arguments.set) and not arguments.step:
        fail("--do and --set go with --step")
        return BAD_USAGE
    talk = Talk(Path(settings.control.socket), name)
    try:
        return _chosen(arguments, settings, talk)
    except NoDaemonError as error:
        fail(f"{error}. The daemon carries the steps out: it has the bus")
        return UNREACHED
    except CopyError as error:
        fail(str(error))
        return FAILED


def _chosen(arguments: argparse.Namespace, settings: Settings, talk: Talk) -> int:
    if arguments.new:
        return _told(talk.begin(), as_json=arguments.json)
    if arguments.report is not None:
        return write_report(talk, settings, arguments.report)
    if arguments.copy is not None:
        written = copy_settings(arguments.settings, talk, arguments.copy)
        print(f"written: {arguments.copy}\n{written}")
        return DONE
    if arguments.answers is not None:
        return _answers(arguments.answers, talk, as_json=arguments.json)
    if arguments.step is not None and arguments.do is not None:
        fields = _fields(arguments.set)
        if fields is None:
            return BAD_USAGE
        return _do(talk, arguments.step, arguments.do, fields, as_json=arguments.json)
    if arguments.list or arguments.step is not None or arguments.json:
        return _show(talk, arguments.step, as_json=arguments.json)
    return walk(talk)


def _told(answer: dict[str, object], *, as_json: bool) -> int:
    if as_json:
        print(json.dumps(answer, ensure_ascii=False))
    elif answer["accepted"]:
        print("done")
    else:
        fail(f"refused: {answer['reason']}")
    return DONE if answer["accepted"] else FAILED


def _show(talk: Talk, step: str | None, *, as_json: bool) -> int:
    view = talk.view()
    steps = [one for one in view["steps"] if step in (None, one["step"])]
    if step is not None and not steps:
        fail(f"--step: one of {', '.join(one['step'] for one in view['steps'])}")
        return BAD_USAGE
    if as_json:
        print(json.dumps(view if step is None else steps[0], ensure_ascii=False))
    else:
        print("\n".join(step_list(view) if step is None else step_lines(steps[0])))
    return DONE


def _fields(given: list[str]) -> dict[str, object] | None:
    fields: dict[str, object] = {}
    for one in given:
        name, equals, value = one.partition("=")
        if not equals:
            fail(f"--set {one}: write NAME=ANSWER")
            return None
        fields[name.strip()] = value.strip()
    return fields


def _do(talk: Talk, step: str, action: str, fields: dict[str, object], *, as_json: bool) -> int:
    done = talk.do(step, action, fields)
    if as_json:
        print(json.dumps(done, ensure_ascii=False))
    elif done["accepted"]:
        print(result_line(done["entry"]))
    else:
        fail(f"{step} {action}: refused: {done['reason']}")
    return DONE if done["accepted"] and done["entry"]["result"] != "failed" else FAILED


def _answers(file: Path, talk: Talk, *, as_json: bool) -> int:
    """Line by line, until one is refused or fails."""
    try:
        answers = [json.loads(line) for line in file.read_text().splitlines() if line.strip()]
        parts = [(one["step"], one["action"], one.get("fields", {})) for one in answers]
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        fail(
            f'{file}: {error}: give lines like {{"step": "zero", "action": "take", "fields": {{}}}}'
        )
        return BAD_USAGE
    for step, action, fields in parts:
        code = _do(talk, step, action, fields, as_json=as_json)
        if code != DONE:
            return code
    return DONE
