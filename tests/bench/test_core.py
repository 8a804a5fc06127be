"""The cost of a step, and the rate of a replay."""

import time

from bench.conftest import Add
from bench.test_daemon import modbus_port as modbus_port
from bench.test_daemon import raw_cpu_us
from core.driver import BASE
from dustcake.core.inputs import (
    Contacts,
    Outcome,
    OutputReported,
    PollCompleted,
    Registers,
    Restarted,
    Stamp,
)
from dustcake.core.state import State, first_state
from dustcake.core.step import step

POLLS = 100_000
WORDS_800_PA, WORDS_1100_PA = (0x4448, 0x0000), (0x4489, 0x8000)


def started() -> State:
    at = Stamp(0.0, None)
    result = step(first_state(BASE, at), Restarted(at), BASE)
    off = result.commands[0]
    return step(result.state, OutputReported(at, off.command_id, Outcome.DONE), BASE).state


def step_us(words: tuple[int, int]) -> float:
    """CPU of a step on polls that all read the same, in us."""
    state, contacts = started(), Contacts()
    polls = [
        PollCompleted(Stamp(float(n), None), Registers(words), contacts) for n in range(1, POLLS)
    ]
    began_s = time.process_time()
    for poll in polls:
        state = step(state, poll, BASE).state
    return (time.process_time() - began_s) / len(polls) * 1e6


def full_step_us() -> float:
    """CPU of a step without the short way through a quiet one."""
    state, contacts = started(), Contacts()
    polls = [
        PollCompleted(
            Stamp(float(n), None), Registers(WORDS_800_PA if n % 2 else WORDS_1100_PA), contacts
        )
        for n in range(1, POLLS // 10)
    ]
    began_s = time.process_time()
    for poll in polls:
        state = step(state, poll, BASE).state
    return (time.process_time() - began_s) / len(polls) * 1e6


def test_overhead_of_a_step(modbus_port: int, row: Add) -> None:
    raw_us = raw_cpu_us(modbus_port, 0.0, 2.0)
    quiet_us, full_us = step_us(WORDS_800_PA), full_step_us()
    row(
        "a quiet step against the CPU of a raw poll",
        f"{quiet_us / raw_us:.3f}",
        f"at most 0.25; {quiet_us:.1f} of {raw_us:.0f} us",
    )
    row(
        "a full evaluation against the CPU of a raw poll",
        f"{full_us / raw_us:.3f}",
        f"{full_us:.1f} us",
    )
    assert quiet_us / raw_us <= 0.25
