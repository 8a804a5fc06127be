"""Step by step at a terminal, with questions. Leaving changes nothing: the daemon keeps it all."""

import sys
from typing import Any

from dustcake.cli.commission.talk import Talk
from dustcake.cli.commission.words import live_line, result_line, step_lines, step_list
from dustcake.cli.common import DONE

Content = dict[str, Any]

_HELP = "Letter: do it. Number: go to that step. l: list. Enter: look again. q: leave."


class _LeftError(Exception):
    """The person has had enough for now."""


def walk(talk: Talk) -> int:
    """Until the record is signed, or the person leaves."""
    try:
        _walk(talk)
    except (_LeftError, KeyboardInterrupt):
        print("\nLeft. All that was done is on record; `dustcake commission` goes on there.")
    return DONE


def _walk(talk: Talk) -> None:
    view = talk.view()
    print("\n".join(step_list(view)))
    chosen = None
    while view["record"]["signature"] is None:
        name = chosen or view["current"]
        step = next(one for one in view["steps"] if one["step"] == name)
        print(
            *("", "=" * 78, *_without_help(step_lines(step)), "", f"Now: {live_line(view)}"),
            sep="\n",
        )
        letters = {chr(ord("a") + n): one for n, one in enumerate(step["actions"])}
        for letter, action in letters.items():
            print(f"  {letter}  {action['title']}")
        typed = _typed(f"{_HELP}\n> ")
        chosen = step["step"]
        if typed in letters:
            _do(talk, step, letters[typed])
            view = talk.view()
            state = next(one["state"] for one in view["steps"] if one["step"] == name)
            chosen = None if state in ("passed", "skipped") else chosen
            continue
        view = talk.view()
        if typed == "l":
            print("\n".join(step_list(view)))
        elif typed.isdigit() and 1 <= int(typed) <= len(view["steps"]):
            chosen = view["steps"][int(typed) - 1]["step"]
    print("\n".join(step_list(view)))
    print("Signed. Write the report with `dustcake commission --report FILE.pdf` (or .html).")


def _without_help(lines: list[str]) -> list[str]:
    return lines[: lines.index("What can be done (--do NAME --set ...):") - 1]


def _do(talk: Talk, step: Content, action: Content) -> None:
    fields = {}
    for ask in action["asks"]:
        answer = _answer(ask)
        if answer:
            fields[ask["name"]] = answer
    done = talk.do(step["step"], action["action"], fields, _watching)
    print("\r" + " " * 78 + "\r", end="")
    if done["accepted"]:
        print(result_line(done["entry"]))
    else:
        print(f"REFUSED: {done['reason']}")


def _answer(ask: Content) -> str:
    hints = [" / ".join(ask["choices"])] if ask["choices"] else []
    if ask["form"] in ("consent", "yes_no"):
        hints.append("yes / no")
    elif ask["form"] == "pressure":
        hints.append('as "1.2 inH2O"')
    if not ask["required"]:
        hints.append("may be left empty")
    if ask["default"]:
        hints.append(f"Enter: {ask['default']}")
    hint = f" ({'; '.join(hints)})" if hints else ""
    return _typed(f"{ask['label']}{hint}: ")


def _typed(prompt: str) -> str:
    try:
        typed = input(prompt).strip()
    except EOFError:
        raise _LeftError from None
    if typed == "q":
        raise _LeftError
    return typed


def _watching(view: Content) -> None:
    under_way = view["under_way"] or {}
    text = f"watching: {live_line(view)} {under_way.get('progress', '')}"
    print(f"\r{text[:78]:78}", end="")
    sys.stdout.flush()
