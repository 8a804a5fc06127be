"""The command `dustcake`."""

import argparse
import os
import sys

from dustcake.cli import COMMANDS


def main(arguments: list[str] | None = None) -> int:
    """Run one command; the exit code is 0 done, 2 bad settings or usage, 3 a device, the broker
    or the daemon could not be reached, 1 anything else."""
    parser = argparse.ArgumentParser(
        prog="dustcake",
        description="Runs a pulse-cleaned cartridge dust collector. `dustcake COMMAND --help` "
        "says more of each command, with an example.",
    )
    subparsers = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    for command in COMMANDS:
        command.add(subparsers)
    chosen = parser.parse_args(arguments)
    try:
        code: int = chosen.func(chosen)
        sys.stdout.flush()
    except BrokenPipeError:
        # Whoever read our output has had enough; Python must not complain at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 1
    except KeyboardInterrupt:
        return 130
    return code


if __name__ == "__main__":
    sys.exit(main())
