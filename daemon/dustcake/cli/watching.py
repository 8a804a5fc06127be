"""A screen of lines that is drawn anew until Ctrl-C, for a person at a terminal."""

import os
import sys
import textwrap
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

_ENTER = "\x1b[?1049h\x1b[?25l"  # the terminal's other screen, without a cursor
_LEAVE = "\x1b[?25h\x1b[?1049l"
_HOME, _TO_END_OF_LINE, _TO_END_OF_SCREEN = "\x1b[H", "\x1b[K", "\x1b[J"


def watch(lines: Callable[[], list[str]], every_s: float) -> None:
    """Draw ``lines()`` every ``every_s`` seconds. Returns when the person presses Ctrl-C.

    Where the output is no terminal each screen is printed below the last, an empty line between.
    """
    with _screen() if sys.stdout.isatty() else _plainly() as draw:
        try:
            while True:
                draw(lines())
                time.sleep(every_s)
        except KeyboardInterrupt:
            return


@contextmanager
def _screen() -> Iterator[Callable[[list[str]], None]]:
    sys.stdout.write(_ENTER)
    try:
        yield _draw
    finally:
        sys.stdout.write(_LEAVE)
        sys.stdout.flush()


def _draw(lines: list[str]) -> None:
    size = os.get_terminal_size(sys.stdout.fileno())  # as it is now, whatever the environment says
    shown = [part for line in lines for part in _wrapped(line, size.columns)]
    if len(shown) > size.lines:
        shown = [
            *shown[: size.lines - 1],
            "... (more below: make the window taller)"[: size.columns],
        ]
    text = "\n".join(line + _TO_END_OF_LINE for line in shown)
    sys.stdout.write(_HOME + text + _TO_END_OF_SCREEN)
    sys.stdout.flush()


def _wrapped(line: str, columns: int) -> list[str]:
    indent = " " * (len(line) - len(line.lstrip()) + 2)
    return textwrap.wrap(line, max(columns, 20), subsequent_indent=indent) or [""]


@contextmanager
def _plainly() -> Iterator[Callable[[list[str]], None]]:
    def draw(lines: list[str]) -> None:
        print("\n".join(lines), end="\n\n", flush=True)

    yield draw
