"""Statistics of a minute."""

import dataclasses

import pytest

from core.driver import BASE
from dustcake.core.inputs import (
    Contacts,
    FailureKind,
    Input,
    Measured,
    PollCompleted,
    ReadFailure,
    Signal,
    Stamp,
    Woke,
)
from dustcake.core.minutes import Minute, Spread, minute_of, summarised
from dustcake.core.setpoints import Fitted, Scale, Setpoints, SignalKind

LOST = ReadFailure(FailureKind.TIMEOUT, "no reply")
WITH_CONTACT = dataclasses.replace(BASE, fitted=Fitted(blower_running=True))
WITHOUT_CONTACT = dataclasses.replace(BASE, fitted=Fitted())
HEADER = dataclasses.replace(
    WITH_CONTACT, header=Scale(SignalKind.SCALED_INTEGER, 0.0, 100.0, 0.0, 1_000_000.0)
)


def poll(
    mono_s: float, dp: Signal, header: Signal | None = None, running: bool | None = True
) -> PollCompleted:
    return PollCompleted(Stamp(mono_s, 6000.0 + mono_s), dp, Contacts(running), header)


def minute(
    *inputs: Input,
    setpoints: Setpoints = WITH_CONTACT,
    next_s: float | None = None,
    zero_pa: float = 0.0,
) -> Minute:
    found = summarised(inputs, next_s, setpoints, zero_pa)
    assert found is not None
    return found


def test_least_mean_and_greatest_of_good_readings_less_the_zero() -> None:
    found = minute(
        poll(0.0, Measured(500.0)), poll(1.0, LOST), poll(2.0, Measured(800.0)), zero_pa=10.0
    )
    assert found.dp == Spread(490.0, 640.0, 790.0)
    assert (found.polls, found.good) == (3, 2)
    assert (found.began_utc_s, found.at) == (6000.0, Stamp(2.0, 6002.0))
    assert found.header is None


def test_without_a_good_reading_there_is_no_spread() -> None:
    assert minute(poll(0.0, LOST)).dp is None


def test_without_a_poll_there_is_no_minute() -> None:
    assert summarised([Woke(Stamp(0.0, None))], None, BASE, 0.0) is None


def test_a_reading_counts_until_the_next_one_but_no_longer_than_it_is_trusted() -> None:
    dp = Measured(500.0)
    whole = minute(*(poll(float(n), dp) for n in range(60)), next_s=60.0)
    assert whole.covered_s == whole.blower_s == pytest.approx(60.0)
    assert minute(poll(0.0, dp), poll(2.0, dp)).covered_s == 2.0
    gap = minute(poll(0.0, dp), poll(50.0, dp), next_s=51.0)
    assert gap.covered_s == BASE.stale_after_s + 1.0


def test_blower_time_by_its_contact() -> None:
    dp = Measured(500.0)
    found = minute(
        poll(0.0, dp), poll(1.0, dp, running=False), poll(2.0, dp, running=None), next_s=3.0
    )
    assert (found.blower_s, found.covered_s) == (1.0, 3.0)


def test_blower_time_by_dp_where_no_contact_is_fitted() -> None:
    proof_pa = BASE.blower.flow_proof_pa
    found = minute(
        poll(0.0, Measured(proof_pa), running=None),
        poll(1.0, Measured(proof_pa - 1.0), running=None),
        poll(2.0, LOST, running=None),
        next_s=3.0,
        setpoints=WITHOUT_CONTACT,
    )
    assert found.blower_s == 1.0


def test_header_pressure() -> None:
    dp = Measured(500.0)
    found = minute(
        poll(0.0, dp, Measured(500_000.0)),
        poll(1.0, dp, LOST),
        poll(2.0, dp, None),
        poll(3.0, dp, Measured(600_000.0)),
        setpoints=HEADER,
    )
    assert found.header == Spread(500_000.0, 550_000.0, 600_000.0)


def test_minutes_are_of_utc_and_else_of_the_monotonic_clock() -> None:
    assert minute_of(Stamp(5.0, 119.9)) == (True, 1)
    assert minute_of(Stamp(5.0, 120.0)) == (True, 2)
    assert minute_of(Stamp(125.0, None)) == (False, 2)
    assert minute_of(Stamp(125.0, None)) != minute_of(Stamp(125.0, 125.0))
