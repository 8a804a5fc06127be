"""Commissioning at a terminal: the steps and their record as lines, and a walk through them with
questions. Leaving changes nothing: the daemon keeps it all."""

import json
import textwrap
import time
from collections.abc import Callable
from pathlib import Path
from string import ascii_lowercase
from typing import Any

from dustcake.adapters.local_client import ask
from dustcake.publish.wording import spoken

Content = dict[str, Any]

_WIDTH = 78
_STATES = {
    "open": "-",
    "under_way": "under way",
    "failed": "FAILED",
    "passed": "passed",
    "skipped": "left out",
}
_MOST_CANDIDATES = 12
_HELP = "Letter: do it. Number: go to that step. l: list. Enter: refresh. q: leave."


# --- the daemon, which carries the steps out

EVERY_S = 0.2
"""Between two views of what is under way."""


class CommissionClient:
    """The daemon at ``socket``, about ``collector``. Every method raises NoDaemonError."""

    def __init__(self, socket: Path, collector: str) -> None:
        self._socket = socket
        self._collector = collector

    def _ask(self, **question: object) -> Content:
        line = json.dumps({"collector": self._collector, **question}).encode()
        answer: Content = json.loads(ask(self._socket, line))
        return answer

    def view(self) -> Content:
        """All there is to show; a record is begun where there is none."""
        view: Content = self._ask(commission="show")["view"]
        return view if view["record"] is not None else self.begin()["view"]

    def begin(self) -> Content:
        """Begin a new record."""
        return self._ask(commission="begin")

    def record(self) -> bytes | None:
        """The record as it is stored; None where there is none."""
        answer = self._ask(commission="record")
        return answer["record"].encode() if answer["accepted"] else None

    def do(
        self,
        step: str,
        action: str,
        fields: Content,
        on_progress: Callable[[Content], None] = lambda view: None,
    ) -> Content:
        """Do something, and wait for what comes of it: ``accepted``, ``reason``, ``entry``.
        ``on_progress`` is shown the view meanwhile."""
        before = self.view()["record"]["entries"]
        answer = self._ask(commission="do", step=step, action=action, fields=fields)
        view = answer.pop("view")
        done = {"step": step, "action": action, "entry": None, **answer}
        if not done["accepted"]:
            return done
        while view["under_way"] is not None or view["record"]["entries"] == before:
            on_progress(view)
            time.sleep(EVERY_S)
            view = self._ask(commission="show")["view"]
        entries = [e for e in step_in(view, step)["entries"] if e["action"] == action]
        return {**done, "entry": entries[-1]}


def step_in(view: Content, name: str) -> Content:
    """The step of this name."""
    step: Content = next(one for one in view["steps"] if one["step"] == name)
    return step


# --- the walk


def walk(client: CommissionClient) -> None:
    """Walk through the steps until the record is signed, or the person leaves."""
    try:
        _walk(client)
    except (EOFError, KeyboardInterrupt):
        print("\nLeft. All that was done is on record; `dustcake commission` goes on there.")


def _walk(client: CommissionClient) -> None:
    view = client.view()
    print("\n".join(step_list(view)))
    chosen = None
    while view["record"]["signature"] is None:
        step = step_in(view, chosen or view["current"])
        chosen = step["step"]
        actions = _offered(step, view)
        typed = _typed(f"{_HELP}\n> ")
        if typed in actions:
            view = _do(client, chosen, actions[typed])
            is_settled = step_in(view, chosen)["state"] in ("passed", "skipped")
            chosen = None if is_settled else chosen
        else:
            view = client.view()
            chosen = _numbered(view, typed) or chosen
        if typed == "l":
            print("\n".join(step_list(view)))
    print("\n".join(step_list(view)))
    print("Signed. Write the report with `dustcake commission --report FILE.pdf` (or .html).")


def _offered(step: Content, view: Content) -> dict[str, Content]:
    """The actions by the letter to type, shown with all there is to their step."""
    print("", "=" * _WIDTH, *_about(step), "", f"Now: {_live_line(view)}", sep="\n")
    letters = dict(zip(ascii_lowercase, step["actions"], strict=False))
    for letter, action in letters.items():
        print(f"  {letter}  {action['title']}")
    return letters


def _numbered(view: Content, typed: str) -> str | None:
    """The step whose number was typed; None where it is none."""
    numbers = {str(n): one["step"] for n, one in enumerate(view["steps"], start=1)}
    return numbers.get(typed)


def _do(client: CommissionClient, step: str, action: Content) -> Content:
    """The view after one action has been asked about, and done or refused."""
    answers = {question["name"]: _answer(question) for question in action["asks"]}
    fields = {name: answer for name, answer in answers.items() if answer}
    done = client.do(step, action["action"], fields, _show_progress)
    print("\r" + " " * _WIDTH + "\r", end="")
    if done["accepted"]:
        print("\n".join(entry_lines(done["entry"])))
    else:
        print(f"REFUSED: {done['reason']}")
    return client.view()


_HINTS = {"consent": "yes / no", "yes_no": "yes / no", "pressure": 'as "1.2 inH2O"'}


def _answer(question: Content) -> str:
    hints = (
        " / ".join(question["choices"]),
        _HINTS.get(question["form"], ""),
        "" if question["required"] else "may be left empty",
        question["default"] and f"Enter: {question['default']}",
    )
    given = "; ".join(filter(None, hints))
    return _typed(f"{question['label']}{f' ({given})' if given else ''}: ")


def _typed(prompt: str) -> str:
    """What a person types. Raises EOFError when they leave, by `q` too."""
    typed = input(prompt).strip()
    if typed == "q":
        raise EOFError
    return typed


def _show_progress(view: Content) -> None:
    under_way = view["under_way"] or {}
    text = f"watching: {_live_line(view)} {under_way.get('progress', '')}"
    print(f"\r{text[:_WIDTH]:{_WIDTH}}", end="", flush=True)


# --- as lines


def _live_line(view: Content) -> str:
    """What is read now, in one line."""
    live = view["live"]
    blower = {True: "blower runs", False: "blower off", None: "blower not known"}
    parts = [f"dP {live['dp'] or 'not read'} ({spoken(live['quality'])})"]
    if live["header"] is not None:
        parts.append(f"header {live['header']}")
    parts += [blower[live["blower_running"]], f"mode {spoken(live['mode'])}"]
    return "; ".join(parts)


def step_list(view: Content) -> list[str]:
    """All steps, one a line."""
    record = view["record"]
    lines = [f"{view['collector']}: commissioning begun {record['begun'] or 'at an unknown time'}"]
    lines += [
        f"{number:3} {_STATES[step['state']]:10} {step['step']:12} {step['title']}{_untried(step)}"
        for number, step in enumerate(view["steps"], start=1)
    ]
    signature = record["signature"]
    if signature is not None:
        fits = "" if signature["matches"] else ", AND CHANGED SINCE"
        lines.append(f"signed by {signature['name']} at {signature['utc']}{fits}")
        lines.append(f"SHA-256 {signature['sha256']}")
    if view["problem"]:
        lines.append(f"! {view['problem']}")
    return lines


def step_lines(step: Content) -> list[str]:
    """One step: what it checks, cautions, what is on record, what can be done."""
    lines = [*_about(step), "", "What can be done (--do NAME --set ...):"]
    for action in step["actions"]:
        asks = ", ".join(question["name"] for question in action["asks"])
        lines.append(f"  {action['action']:10} {action['title']}{f' ({asks})' if asks else ''}")
    return lines


def _untried(step: Content) -> str:
    return f"; not tried: {step['not_tried']}" if step["not_tried"] else ""


def _about(step: Content) -> list[str]:
    state = f"{_STATES[step['state']]}{_untried(step)}"
    lines = [*textwrap.wrap(f"{step['title']} ({step['step']}): {state}", _WIDTH), ""]
    lines += textwrap.wrap(step["checks"], _WIDTH)
    for caution in step["cautions"]:
        lines += textwrap.wrap(f"CAUTION: {caution}", _WIDTH, subsequent_indent="  ")
    if step["waits_for"] is not None:
        lines.append(f"Waits for the step {step['waits_for']}.")
    return lines + [line for entry in step["entries"] for line in entry_lines(entry)]


def entry_lines(entry: Content) -> list[str]:
    """What one action came to, with what belongs to it."""
    head = f"{entry['result'].upper()}: {entry['words']}"
    lines = textwrap.wrap(head, _WIDTH, subsequent_indent="  ")
    lines += [f"  ! {caution}" for caution in entry["cautions"]]
    for number, one in enumerate(entry["candidates"][:_MOST_CANDIDATES], start=1):
        lines.append(_candidate(number, one))
    if entry["settings"]:
        lines += [f"    {line}" for line in entry["settings"].splitlines()]
    return lines


def _candidate(number: int, one: Content) -> str:
    lines = one["lines"]
    how = lines.get("word_order") or "..".join(map(str, lines.get("counts", ()))) or ""
    raw = " ".join(f"{word} ({word:04X})" for word in one["raw"])
    verdict = one["why"] or "plausible"
    return (
        f"  {number:2}  unit {lines['unit']} {lines['table']} {lines['register']:<5} "
        f"{lines['kind']} {how}  raw {raw}  = {one['shown'] or 'no value'}  {verdict}"
    )
