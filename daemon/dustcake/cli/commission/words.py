"""Steps and what is on record of them, as lines for a terminal."""

import textwrap
from typing import Any

Content = dict[str, Any]

WIDTH = 78
_STATES = {
    "open": "-",
    "under_way": "under way",
    "failed": "FAILED",
    "passed": "passed",
    "skipped": "left out",
}
_MOST_CANDIDATES = 12


def live_line(view: Content) -> str:
    """What is read now, in one line."""
    live = view["live"]
    if live is None:
        return "nothing is read just now"
    blower = {True: "blower runs", False: "blower off", None: "blower not known"}
    parts = [f"dP {live['dp'] or 'not read'} ({live['quality'].replace('_', ' ')})"]
    if live["header"] is not None:
        parts.append(f"header {live['header']}")
    parts += [blower[live["blower_running"]], f"mode {live['mode'].replace('_', ' ')}"]
    return "; ".join(parts)


def step_list(view: Content) -> list[str]:
    """All steps, one a line."""
    record = view["record"]
    lines = [f"{view['collector']}: commissioning begun {record['begun'] or 'at an unknown time'}"]
    lines += [
        f"{number:3} {_STATES[step['state']]:10} {step['step']:12} {step['title']}"
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
    lines = [f"{step['title']} ({step['step']}): {_STATES[step['state']]}", ""]
    lines += textwrap.wrap(step["checks"], WIDTH)
    for caution in step["cautions"]:
        lines += textwrap.wrap(f"CAUTION: {caution}", WIDTH, subsequent_indent="  ")
    if step["waits_for"] is not None:
        lines.append(f"Waits for the step {step['waits_for']}.")
    lines += [line for entry in step["entries"] for line in entry_lines(entry)]
    lines += ["", "What can be done (--do NAME --set ...):"]
    for action in step["actions"]:
        asks = ", ".join(ask["name"] for ask in action["asks"])
        lines.append(f"  {action['action']:10} {action['title']}{f' ({asks})' if asks else ''}")
    return lines


def result_line(entry: Content) -> str:
    """What one action came to, with what belongs to it."""
    return "\n".join(entry_lines(entry))


def entry_lines(entry: Content) -> list[str]:
    """One entry of the record."""
    head = f"{entry['result'].upper()}: {entry['words']}"
    lines = textwrap.wrap(head, WIDTH, subsequent_indent="  ")
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
    verdict = "plausible" if not one["why"] else one["why"]
    return (
        f"  {number:2}  unit {lines['unit']} {lines['table']} {lines['register']:<5} "
        f"{lines['kind']} {how}  raw {raw}  = {one['shown'] or 'no value'}  {verdict}"
    )
