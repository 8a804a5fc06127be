"""Settings files for the tests, built from a complete minimal one."""

import pytest

from dustcake.settings.errors import Problem, SettingsError
from dustcake.settings.load import parse_settings
from dustcake.settings.model import Collector, Settings

BUS = """
[[bus]]
name = "io"
kind = "tcp"
host = "192.0.2.10"
"""

TRANSMITTER = """
[collector.transmitter]
bus = "io"
register = 0
kind = "current"
span = ["0 inH2O", "10 inH2O"]
"""

OUTPUTS = """
[collector.outputs]
bus = "io"
kind = "valves_one_shot"
coils = [0, 1, 2, 3]
"""

BLOWER_CONTACT = 'contacts.blower_running = { bus = "io", address = 0 }\n'


def collector_text(
    lines: str = "", *, name: str = "west", transmitter: str = TRANSMITTER, outputs: str = OUTPUTS
) -> str:
    """One collector; ``lines`` go into its own table, so with dotted keys."""
    return f'\n[[collector]]\nname = "{name}"\n{lines}\n{transmitter}{outputs}'


def file_text(lines: str = "", *, bus: str = BUS, tail: str = "", **parts: str) -> str:
    """A minimal file; ``lines`` go into the collector's own table, ``tail`` comes last."""
    return bus + collector_text(lines, **parts) + tail


def settings_of(lines: str = "", **parts: str) -> Settings:
    """The settings of a file that is in order."""
    return parse_settings(file_text(lines, **parts))


def collector_of(lines: str = "", **parts: str) -> Collector:
    """The only collector of a file that is in order."""
    (collector,) = settings_of(lines, **parts).collectors
    return collector


def problems_in(text: str) -> dict[str, Problem]:
    """The problems of a file that is not in order, by setting."""
    with pytest.raises(SettingsError) as caught:
        parse_settings(text)
    problems = caught.value.problems
    found = {problem.setting: problem for problem in problems}
    assert len(found) == len(problems), f"a setting reported twice: {problems}"
    for problem in problems:
        assert problem.value
        assert problem.allowed
        assert problem.remedy
        assert str(problem) in str(caught.value)
    return found


def only_problem(text: str) -> Problem:
    """The single problem of a file that has exactly one."""
    found = problems_in(text)
    assert len(found) == 1, found
    return next(iter(found.values()))
