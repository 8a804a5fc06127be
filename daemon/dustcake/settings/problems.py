"""What is wrong with a settings file, in a form people can act on and programs can read."""

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing to put right.

    ``setting``: dotted path as in the file, with the name of the bus or collector in brackets
    (``#2`` for the second where it has no usable name). ``value``: what stands there, never a
    secret. ``allowed``: what may stand there. ``remedy``: what to do. ``involves``: the other
    settings it was compared with.
    """

    setting: str
    value: str
    allowed: str
    remedy: str
    involves: tuple[str, ...] = ()

    def __str__(self) -> str:
        return f"{self.setting}: {self.value}\n  allowed: {self.allowed}\n  remedy:  {self.remedy}"


class SettingsError(Exception):
    """The settings cannot be used. ``source``: the file. ``problems``: everything wrong in it."""

    def __init__(self, source: str, problems: Sequence[Problem]) -> None:
        self.source = source
        self.problems = tuple(problems)
        super().__init__(source, self.problems)

    def __str__(self) -> str:
        count = len(self.problems)
        head = f"{self.source}: {count} problem{'' if count == 1 else 's'} in the settings"
        return "\n".join([head, *map(str, self.problems)])
