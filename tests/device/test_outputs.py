"""The output module: one-shots, sequencer, watchdog, and what it counts."""

from __future__ import annotations

import pytest

from dustcake_sim.outputs import OutputModule, OutputSettings


@pytest.fixture
def module() -> OutputModule:
    return OutputModule(4)


def test_a_one_shot_ends_by_itself_at_its_exact_time(module: OutputModule) -> None:
    module.switch_valves({}, {2: True}, 1.0)
    module.settle(1.0999)
    assert module.energised() == (False, False, True, False)
    assert module.one_shot_state(2)
    module.settle(5.0)
    assert module.energised() == (False,) * 4
    assert not module.one_shot_state(2)
    assert module.counts.longest_on_s == pytest.approx(0.1)
    assert module.counts.pulses == [0, 0, 1, 0]


def test_on_again_does_not_lengthen_a_one_shot_and_off_ends_it(module: OutputModule) -> None:
    module.switch_valves({}, {0: True}, 0.0)
    module.settle(0.06)
    module.switch_valves({}, {0: True}, 0.06)
    module.settle(1.0)
    assert module.counts.longest_on_s == pytest.approx(0.1)
    assert module.counts.pulses[0] == 1
    module.switch_valves({}, {0: True}, 2.0)
    module.switch_valves({}, {0: False}, 2.03)
    assert module.energised() == (False,) * 4


def test_a_plain_valve_stays_on_and_its_time_counts_while_it_does(module: OutputModule) -> None:
    module.switch_valves({1: True}, {}, 10.0)
    module.settle(12.5)
    assert module.plain_state(1)
    assert module.longest_on_s() == pytest.approx(2.5)
    assert module.counts.longest_on_s == 0.0
    module.switch_valves({1: False}, {}, 13.0)
    assert module.counts.longest_on_s == pytest.approx(3.0)


def test_two_valves_at_once_are_counted(module: OutputModule) -> None:
    module.switch_valves({}, {0: True}, 0.0)
    module.settle(0.099)
    module.switch_valves({}, {1: True}, 0.099)
    assert module.counts.two_valves_at_once == 1
    module.settle(1.0)
    module.switch_valves({0: True, 3: True}, {}, 1.0)
    assert module.counts.two_valves_at_once == 2


def test_one_after_the_other_is_not_two_at_once(module: OutputModule) -> None:
    module.switch_valves({}, {0: True}, 0.0)
    module.settle(0.1)
    module.switch_valves({}, {1: True}, 0.1)
    module.settle(1.0)
    module.switch_valves({0: True}, {}, 1.0)
    module.switch_valves({0: False, 1: True}, {}, 2.0)
    assert module.counts.two_valves_at_once == 0


def test_plain_and_one_shot_of_one_valve_are_one_valve(module: OutputModule) -> None:
    module.switch_valves({0: True}, {}, 0.0)
    module.switch_valves({}, {0: True}, 0.1)
    module.settle(1.0)
    assert module.counts.two_valves_at_once == 0
    assert module.counts.pulses[0] == 1
    assert module.energised()[0], "the plain coil still holds it"


def test_the_sequencer_pulses_rows_in_turn_while_its_contact_is_closed(
    module: OutputModule,
) -> None:
    module.settings.sequencer_interval_s = 5.0
    module.switch_demand(True, 100.0)
    assert module.energised() == (True, False, False, False)
    module.settle(121.0)
    assert module.counts.pulses == [2, 1, 1, 1]
    module.switch_demand(False, 121.0)
    module.settle(500.0)
    module.switch_demand(True, 500.0)
    assert module.energised() == (False, True, False, False), "it goes on where it left off"
    assert module.counts.two_valves_at_once == 0
    assert module.counts.longest_on_s == pytest.approx(0.1)


def test_a_closed_contact_closed_again_does_not_pulse_again(module: OutputModule) -> None:
    module.switch_demand(True, 0.0)
    module.switch_demand(True, 1.0)
    module.settle(2.0)
    assert sum(module.counts.pulses) == 1


def test_the_watchdog_drops_everything_when_nobody_asks(module: OutputModule) -> None:
    module.settings.watchdog_s = 3.0
    module.request_seen(10.0)
    module.switch_valves({0: True}, {}, 10.0)
    module.switch_demand(True, 10.0)
    module.blower_request = True
    module.settle(12.9)
    assert module.plain_state(0)
    module.request_seen(12.9)
    module.settle(15.8)
    assert module.plain_state(0)
    module.settle(60.0)
    assert not module.plain_state(0)
    assert not module.demand
    assert not module.blower_request
    assert module.energised() == (False,) * 4
    assert module.counts.watchdog_trips == 1
    assert module.counts.longest_on_s == pytest.approx(5.9), "off at its time, not when noticed"


def test_the_watchdog_off_or_with_nothing_to_drop_does_nothing(module: OutputModule) -> None:
    module.switch_valves({0: True}, {}, 0.0)
    module.settle(1e6)
    assert module.plain_state(0)
    idle = OutputModule(4, OutputSettings(watchdog_s=1.0))
    idle.settle(1e6)
    assert idle.counts.watchdog_trips == 0


def test_all_off_leaves_the_blower_request_alone(module: OutputModule) -> None:
    module.blower_request = True
    module.switch_valves({1: True}, {2: True}, 1.0)
    module.switch_demand(True, 1.0)
    module.switch_all_off(1.05)
    assert module.energised() == (False,) * 4
    assert not module.demand
    assert module.blower_request
    assert module.longest_on_s() == pytest.approx(0.05)
    assert module.counts.watchdog_trips == 0
    assert module.next_due_s() == float("inf")
