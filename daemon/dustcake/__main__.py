"""The command `dustcake`."""

import argparse
import errno
import os
import sys
from collections.abc import Sequence
from importlib import import_module
from types import ModuleType
from typing import NamedTuple

from dustcake.cli.common import DONE, FAILED, CommandError, fail, lab_module

PLANT, LAB, LOOP = "dustcake.cli", "dustcake_lab.commands", "dustcake_loop"


class Command(NamedTuple):
    """One command: the module of its name in ``room`` has the rest."""

    name: str
    summary: str
    room: str = PLANT

    def load(self) -> ModuleType:
        """Its module. Raises UsageError."""
        module = f"{self.room}.{self.name}"
        if self.room == PLANT:
            return import_module(module)
        return lab_module(module, f"`dustcake {self.name}`")


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
    Command("simulate", "run settings on a simulated collector, far faster than life", LOOP),
    Command("demo", "see it all work on a simulated collector, in two minutes", LOOP),
    Command("schema", "print the JSON Schema of the settings file, or another interface"),
)
"""In the order `dustcake --help` lists them."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; the exit code is 0 done, 2 bad settings or usage, 3 a device, the broker
    or the daemon could not be reached, 1 anything else."""
    try:
        code = _run(sys.argv[1:] if arguments is None else arguments)
        sys.stdout.flush()
    except CommandError as error:
        fail(str(error))
        return error.code
    except BrokenPipeError:
        # Whoever read our output has had enough.
        _forget_output()
        return FAILED
    except OSError as error:
        # Our output or a temporary file; what a command writes by name it answers for itself.
        if error.errno != errno.ENOSPC or error.filename is not None:
            raise
        _forget_output()
        fail(f"writing the output: {error.strerror}; make room there, or send it elsewhere")
        return FAILED
    except KeyboardInterrupt:
        return 130
    return code


def _run(arguments: Sequence[str]) -> int:
    parser = argparse.ArgumentParser(
        prog="dustcake",
        description="Runs a pulse-cleaned cartridge dust collector. `dustcake COMMAND --help` "
        "says more of each command, with an example.",
    )
    parser.add_argument("--version", action=_Version, nargs=0, help="show the version, and exit")
    subparsers = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    # No option before the command takes a value, so the first other word is the command.
    chosen = next((each for each in arguments if not each.startswith("-")), None)
    module: ModuleType | None = None
    for command in COMMANDS:
        subparser = subparsers.add_parser(
            command.name, help=command.summary, formatter_class=argparse.RawDescriptionHelpFormatter
        )
        if command.name == chosen:
            module = command.load()
            about, _, subparser.epilog = (module.__doc__ or "").partition("\n\n")
            subparser.description = " ".join(about.split())
            module.configure(subparser)
    parsed = parser.parse_args(arguments)
    assert module is not None  # or the parser has refused
    code: int | None = module.run(parsed)
    return code or DONE


class _Version(argparse.Action):
    """Looked up only when it is wanted: that takes time which the start of a daemon has not."""

    def __call__(self, parser: argparse.ArgumentParser, *_: object) -> None:
        from importlib.metadata import version

        sys.stdout.write(f"dustcake {version('dustcake')}\n")
        parser.exit()


def _forget_output() -> None:
    """Let what is still buffered go nowhere: Python must not try, and complain, at exit."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


if __name__ == "__main__":
    sys.exit(main())
