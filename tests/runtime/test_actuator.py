"""What waits for the outputs, and what overtakes it."""

import asyncio

from dustcake.core.commands import AllValvesOff, Command, FireValve, SetBlowerRun, SetDemand
from dustcake.core.inputs import Outcome
from dustcake.ports import OutputReport
from dustcake.runtime.actuator import Actuator
from runtime.simulated_time import run


class Slow:
    """Outputs that take a second for everything, and remember what they began."""

    def __init__(self) -> None:
        self.began: list[Command] = []

    async def execute(self, command: Command) -> OutputReport:
        self.began.append(command)
        await asyncio.sleep(1.0)
        return OutputReport(Outcome.DONE)


def carried_out(*bursts: tuple[Command, ...]) -> tuple[list[Command], dict[int, Outcome]]:
    """Submit each burst at once, one every 0.1 s; what was begun, and how each one ended."""
    outputs, outcomes = Slow(), dict[int, Outcome]()

    def report(number: int, told: OutputReport) -> None:
        outcomes[number] = told.outcome

    async def main() -> None:
        actuator = Actuator(outputs, report)
        working = asyncio.create_task(actuator.run())
        for burst in bursts:
            for command in burst:
                actuator.submit(command)
            await asyncio.sleep(0.1)
        await asyncio.sleep(60.0)
        assert actuator.is_idle
        working.cancel()
        await asyncio.wait([working])

    run(main())
    return outputs.began, outcomes


OFF = AllValvesOff(9)


def test_in_order() -> None:
    pulse, blower = FireValve(1, 1, 0.1), SetBlowerRun(2, run=True)
    began, outcomes = carried_out((pulse, blower))
    assert began == [pulse, blower]
    assert outcomes == {1: Outcome.DONE, 2: Outcome.DONE}


def test_all_off_ends_a_pulse_under_way() -> None:
    pulse = FireValve(1, 1, 0.1)
    began, outcomes = carried_out((pulse,), (OFF,))
    assert began == [pulse, OFF]
    assert outcomes == {1: Outcome.ENDED_EARLY, 9: Outcome.DONE}


def test_all_off_withholds_a_pulse_and_a_demand_that_wait() -> None:
    blower = SetBlowerRun(1, run=True)
    for energising in (FireValve(2, 1, 0.1), SetDemand(2, closed=True)):
        began, outcomes = carried_out((blower, energising), (OFF,))
        assert began == [blower, OFF]
        assert outcomes == {1: Outcome.DONE, 2: Outcome.WITHHELD, 9: Outcome.DONE}


def test_all_off_leaves_what_switches_off_and_the_blower() -> None:
    open_contact, stop = SetDemand(1, closed=False), SetBlowerRun(2, run=False)
    began, outcomes = carried_out((open_contact, stop, OFF))
    assert began == [open_contact, stop, OFF]
    assert set(outcomes.values()) == {Outcome.DONE}


def test_a_blower_command_takes_the_place_of_one_that_waits() -> None:
    """The run that was withdrawn must not be done late."""
    start, stop = SetBlowerRun(2, run=True), SetBlowerRun(3, run=False)
    began, outcomes = carried_out((OFF, start), (stop,))
    assert began == [OFF, stop]
    assert outcomes == {9: Outcome.DONE, 2: Outcome.WITHHELD, 3: Outcome.DONE}
