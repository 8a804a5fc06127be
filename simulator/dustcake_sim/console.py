"""What a person would do at the collector, typed as lines: an event's kind, and its fields.

`damper opening=0.6` is the event of a scenario file, made to happen now.
"""

from __future__ import annotations

import asyncio
import json
import sys
from collections.abc import Callable

from pydantic import ValidationError

Force = Callable[..., None]


def read_line(line: str) -> tuple[str, dict[str, object]]:
    """Kind and fields in a line. Raises ValueError where it is none."""
    kind, *rest = line.split()
    fields: dict[str, object] = {}
    for part in rest:
        name, equals, text = part.partition("=")
        if not equals:
            raise ValueError(f"{part!r}: write name=value")
        try:
            fields[name] = json.loads(text)
        except ValueError:
            fields[name] = text
    return kind, fields


def act(line: str, force: Force) -> str:
    """Make the event in `line` happen; what to answer."""
    try:
        kind, fields = read_line(line)
        force(kind, **fields)
    except ValidationError as error:
        return "; ".join(
            f"{'.'.join(str(part) for part in one['loc'][1:]) or 'kind'}: {one['msg']}"
            for one in error.errors(include_url=False)
        )
    except (ValueError, TypeError) as error:
        return str(error)
    return f"done: {line.strip()}"


async def follow_console(force: Force, answer: Callable[[str], None]) -> None:
    """Do what is typed at standard input, until it ends."""
    loop = asyncio.get_running_loop()
    lines = asyncio.StreamReader()
    await loop.connect_read_pipe(lambda: asyncio.StreamReaderProtocol(lines), sys.stdin)
    async for line in lines:
        text = line.decode(errors="replace")
        if text.strip():
            answer(act(text, force))
