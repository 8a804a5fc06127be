"""The table of commands, in the order `dustcake --help` lists them."""

from importlib import import_module
from importlib.util import find_spec
from types import ModuleType
from typing import NamedTuple

from dustcake.cli.common import UsageError

CONTROLLER, LAB = "dustcake.cli", "dustcake_lab.commands"


class Command(NamedTuple):
    """One command: the module of its name in ``room`` has the rest."""

    name: str
    summary: str
    room: str = CONTROLLER

    def load(self) -> ModuleType:
        """Its module. Raises UsageError."""
        if self.room == LAB:
            return lab_module(self.name, f"`dustcake {self.name}`")
        return import_module(f"{self.room}.{self.name}")


def lab_module(name: str, purpose: str) -> ModuleType:
    """The module of that name among the lab's commands, needed for ``purpose``. The lab imports the
    controller, never the reverse, so it is found by its name. Raises UsageError."""
    if find_spec("dustcake_lab") is None:
        raise UsageError(
            f"{purpose} is part of the lab, the package dustcake_lab, which is not installed; "
            "install dustcake with it (in the checkout: pip install '.[analysis]')"
        )
    return import_module(f"{LAB}.{name}")


COMMANDS = (
    Command("run", "run the daemon"),
    Command("check", "check a settings file and say what it means"),
    Command("read", "read the transmitters and contacts once, raw and scaled"),
    Command("commission", "a collector's first start, step by step, with a signed report"),
    Command("status", "what the running daemon reads and does, and why"),
    Command("history", "what happened, from the journal"),
    Command("users", "add, remove or list those who may sign in to the panel"),
    Command(
        "request",
        "select a mode, change set points, take the zero, handle an alarm, write in the log book, "
        "run the blower",
    ),
    Command("backup", "settings and journal into one file"),
    Command("restore", "settings and journal from a backup"),
    Command("replay", "show what these settings would have done on a recorded trace", LAB),
    Command("life", "how long filters will last, from a recorded trace", LAB),
    Command("study", "find better set points from a recorded trace, by simulation", LAB),
    Command("simulate", "run settings on a simulated collector, far faster than life", LAB),
    Command("demo", "see it all work on a simulated collector, in two minutes"),
    Command("schema", "print the JSON Schema of the settings file, or another interface"),
)
