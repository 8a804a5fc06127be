"""The output module's watchdog in the settings, and what `check` says of it."""

import pytest

from dustcake.settings.summary import summary
from settings.files import collector_of, file_text, only_problem, settings_of

ON_OFF = '[collector.outputs]\nbus = "io"\nkind = "valves_on_off"\ncoils = [0, 1]\n'
WATCHDOG = "[collector.outputs.watchdog]\nregister = 101\n"


def said(text: str) -> str:
    return "\n".join(statement.text for statement in summary(settings_of(outputs=text)))


def test_counts_of_the_register() -> None:
    watchdog = collector_of(outputs=ON_OFF + WATCHDOG + "timeout_s = 5\n").outputs.watchdog
    assert watchdog is not None
    assert (watchdog.register_address, watchdog.counts) == (101, 5)
    tenths = ON_OFF + WATCHDOG + "timeout_s = 2.5\ns_per_count = 0.1\n"
    watchdog = collector_of(outputs=tenths).outputs.watchdog
    assert watchdog is not None
    assert watchdog.counts == 25


@pytest.mark.parametrize(
    ("watchdog", "pulse", "allowed"),
    [
        ("timeout_s = 2.5\n", "", "a multiple of outputs.watchdog.s_per_count = 1.0"),
        ("timeout_s = 600\ns_per_count = 0.001\n", "", "at most 65535 of them"),
        ("timeout_s = 1\n", "pulsing.on_time_s = 0.2", "at least 1.2: a second longer"),
        ("timeout_s = 0\n", "", "1 to 600"),
    ],
)
def test_what_is_refused(watchdog: str, pulse: str, allowed: str) -> None:
    problem = only_problem(file_text(pulse, outputs=ON_OFF + WATCHDOG + watchdog))
    assert problem.setting == "collector[west].outputs.watchdog.timeout_s"
    assert allowed in problem.allowed


def test_what_check_says() -> None:
    assert "by itself 5 s after the last request" in said(ON_OFF + WATCHDOG + "timeout_s = 5\n")
    assert "that valve stays on until the daemon is back" in said(ON_OFF)
    assert "no module watchdog" not in said(ON_OFF + WATCHDOG + "timeout_s = 5\n")


def test_a_demand_contact_wants_one_too() -> None:
    demand = '[collector.outputs]\nbus = "io"\nkind = "demand_contact"\ncoils = [7]\n'
    settings = settings_of("pulsing.sequencer_cycle_s = 60", outputs=demand)
    assert any("the sequencer board pulses on" in each.text for each in summary(settings))


def test_what_the_journal_keeps_is_said() -> None:
    (kept,) = [each.text for each in summary(settings_of()) if each.text.startswith("kept:")]
    assert "every event" in kept
    assert "readings 28 days" in kept
    assert "1024 MB" in kept
