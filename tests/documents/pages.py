"""The documents of the repository, and what they hold that a machine can check."""

import re
import shlex
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

ROOT = Path(__file__).parents[2]
MADE_HERE = {".git", ".venvs", "node_modules", "__pycache__", "dist", "build"}
_FENCE = re.compile(r"^ *```(\w*)\n(.*?)^ *```", re.MULTILINE | re.DOTALL)
_PARTS = {"&&", "||", ";", "|"}


@cache
def files() -> tuple[Path, ...]:
    """Every file of the checkout, without what tools have made in it."""

    def within(folder: Path) -> Iterator[Path]:
        for each in folder.iterdir():
            if each.name in MADE_HERE or each.name.endswith("_cache"):
                continue
            if each.is_dir():
                yield from within(each)
            else:
                yield each

    return tuple(sorted(within(ROOT)))


PAGES = [each for each in files() if each.suffix == ".md"]


@dataclass(frozen=True)
class Command:
    """A command of a page: its words, what follows a redirection left out."""

    page: Path
    words: tuple[str, ...]

    def __str__(self) -> str:
        return f"{self.page.relative_to(ROOT)}: {shlex.join(self.words)}"


def prose(page: Path) -> str:
    """The page without its fenced blocks."""
    return _FENCE.sub("", page.read_text(encoding="utf-8"))


def commands(page: Path) -> list[Command]:
    """What the page's ``sh`` blocks let a reader type."""
    blocks = _FENCE.findall(page.read_text(encoding="utf-8"))
    shown = [block for language, block in blocks if language == "sh"]
    return [Command(page, words) for block in shown for words in _parted(block)]


def _parted(block: str) -> Iterator[tuple[str, ...]]:
    for line in block.replace("\\\n", " ").splitlines():
        words: list[str] = []
        for word in [*shlex.split(line, comments=True), ";"]:
            if word not in _PARTS:
                words.append(word)
                continue
            if words:
                yield tuple(_without_redirection(words))
            words = []


def _without_redirection(words: list[str]) -> Iterator[str]:
    rest = iter(words)
    for word in rest:
        if word in (">", ">>", "<"):
            next(rest)
        else:
            yield word
