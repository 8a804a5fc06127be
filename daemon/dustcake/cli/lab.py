"""The commands of ``dustcake_lab`` where it is installed: it imports the controller, never the
reverse."""

from importlib import import_module
from typing import Any

LAB = "dustcake_lab.commands"


def lab_command(name: str) -> Any:
    """The module of that name among the lab's commands."""
    return import_module(f"{LAB}.{name}")
