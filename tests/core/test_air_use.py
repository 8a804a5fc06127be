"""Compressed air of the pulses: measured where it can be, as rated where not, and which is told."""

from math import exp

import pytest

from core.driver import FIRST_UTC_S, Collector, answering, board, chosen, ready, with_header
from dustcake.core.air.state import AirUse, Amount
from dustcake.core.air.use import (
    Dip,
    counts,
    dip_of,
    drawn_by_dip_kg,
    drawn_fast_kg,
    drawn_kg,
    free_m3,
    mass_kg,
    measures,
)
from dustcake.core.commands import FireValve
from dustcake.core.events import AirUsed, PulseFired
from dustcake.core.inputs import Measured, Outcome, OutputReported
from dustcake.core.setpoints import Air, Setpoints

PSI_PA = 6894.757293168361
AIR = Air(header_volume_m3=0.03)
TANK = with_header(air=AIR)
STEADY = chosen(TANK, pulsing={"interval_s": 10.0}, cleaning={"max_cycles": 50})


# --- worked example: a 30 L tank from 90 to 70 psi, 20 C (computed)


def test_air_of_one_pulse() -> None:
    kg = drawn_kg(0.03, 90 * PSI_PA, 70 * PSI_PA)
    assert kg == pytest.approx(0.04916123, rel=1e-6)
    assert free_m3(kg, 101_325.0) * 1000 == pytest.approx(40.827578, rel=1e-6)
    assert free_m3(kg, 100_000.0) * 1000 == pytest.approx(41.368544, rel=1e-6)
    assert mass_kg(free_m3(kg, 100_000.0), 100_000.0) == pytest.approx(kg, rel=1e-12)


def test_the_momentary_dip_tells_of_less_air_than_the_same_fall_of_warm_air() -> None:
    """A tank that falls from 90 to 70 psi without any heat coming back has lost a quarter less
    than one that is warm again at 70 psi: the ratio is 1.35948."""
    kg = drawn_fast_kg(0.03, 721_853.51, 583_958.36)
    assert kg == pytest.approx(0.03616172, rel=1e-6)
    assert drawn_kg(0.03, 721_853.51, 583_958.36) / kg == pytest.approx(1.35948, rel=1e-5)


def test_which_of_the_two_it_was_decides_on_the_formula() -> None:
    dip_pa = 20 * PSI_PA
    warm = drawn_by_dip_kg(0.03, 90 * PSI_PA, Dip(dip_pa, momentary=False))
    cold = drawn_by_dip_kg(0.03, 90 * PSI_PA, Dip(dip_pa, momentary=True))
    assert warm == pytest.approx(0.04916123, rel=1e-6)
    # The example has 14.696 psi, a touch more than the standard atmosphere.
    assert cold == pytest.approx(0.03616172, rel=1e-5)
    empty = drawn_by_dip_kg(0.03, 100_000.0, Dip(300_000.0, momentary=True))
    assert empty == pytest.approx(201_325.0 * 0.03 / (287.05 * 293.15))


# --- how far the header fell, from what is read while it recharges

BEFORE_PA, DIP_PA = 620_000.0, 138_000.0


def recharging(time_constant_s: float, *times_s: float) -> tuple[tuple[float, float], ...]:
    return tuple((t, BEFORE_PA - DIP_PA * exp(-t / time_constant_s)) for t in times_s)


@pytest.mark.parametrize("time_constant_s", [1.5, 3.0, 8.0, 40.0])
def test_the_dip_is_found_back_from_its_recharge(time_constant_s: float) -> None:
    readings = recharging(time_constant_s, 0.8, 1.8, 2.8)
    dip = dip_of(BEFORE_PA, 0.0, readings)
    assert dip is not None
    assert dip.pa == pytest.approx(DIP_PA, rel=0.03)
    assert dip.momentary


def test_a_header_that_does_not_recover_is_warm_and_taken_as_it_reads() -> None:
    dip = dip_of(BEFORE_PA, 0.0, recharging(1e6, 0.8, 1.8, 2.8))
    assert dip is not None
    assert dip.pa == pytest.approx(DIP_PA, rel=1e-3)
    assert not dip.momentary


@pytest.mark.parametrize(
    ("why", "readings"),
    [
        ("no reading", ()),
        ("one reading: no telling how fast it recharges", recharging(3.0, 0.8)),
        ("recharged before the first reading", recharging(0.15, 0.8, 1.8, 2.8)),
        ("so much recharged that going back is guesswork", recharging(0.6, 0.9, 1.9, 2.9)),
        ("risen above", ((0.5, 640_000.0), (1.5, 640_000.0))),
    ],
)
def test_what_polls_cannot_see_is_not_measured(
    why: str, readings: tuple[tuple[float, float], ...]
) -> None:
    assert dip_of(BEFORE_PA, 0.0, readings) is None, why


def test_overshooting_regulators_are_seen_to_recharge_fast() -> None:
    readings = ((0.1, BEFORE_PA - 100_000.0), (1.1, BEFORE_PA + 5_000.0))
    dip = dip_of(BEFORE_PA, 0.0, readings)
    assert dip is not None
    assert 100_000.0 < dip.pa < 150_000.0


# --- in the collector


def pulsing(collector: Collector, seconds: int, dip_pa: float, time_constant_s: float) -> None:
    """Polls of a header that each pulse draws from and a regulator recharges."""
    for _ in range(seconds):
        last_s = max((t for t, _ in collector.pulses), default=None)
        if last_s is not None:
            left = exp(-(collector.t + 1.0 - last_s) / time_constant_s)
            collector.header = Measured(BEFORE_PA - dip_pa * left)
        collector.poll(1100.0)


def a_collector(setpoints: Setpoints = STEADY) -> Collector:
    collector = ready(setpoints)
    collector.header = Measured(BEFORE_PA)
    return collector.hold(800.0, 2)


def test_each_pulse_is_measured_at_the_header() -> None:
    collector = a_collector()
    pulsing(collector, 200, DIP_PA, 2.5)
    total = collector.state.air.total
    assert total.measured >= 19
    assert total.rated == 0
    # The header had not quite come back when the next pulse began, so its dip was a little less.
    one_kg = drawn_by_dip_kg(0.03, BEFORE_PA, Dip(DIP_PA, momentary=True))
    one_m3 = free_m3(one_kg, 101_325.0)
    assert total.free_m3 / total.measured == pytest.approx(one_m3, rel=0.08)


def test_free_air_is_stated_at_the_reference_chosen() -> None:
    found = []
    for reference_pa in (101_325.0, 100_000.0):
        air = Air(header_volume_m3=0.03, reference_pa=reference_pa)
        collector = a_collector(chosen(STEADY, air=air))
        pulsing(collector, 60, DIP_PA, 2.5)
        found.append(collector.state.air.total.free_m3)
    assert found[1] / found[0] == pytest.approx(1.01325)


@pytest.mark.parametrize(
    ("why", "setpoints", "dip_pa", "time_constant_s"),
    [
        ("no tank volume", chosen(STEADY, air=Air()), DIP_PA, 2.5),
        ("no header transmitter", chosen(STEADY, header=None), DIP_PA, 2.5),
        ("recharges too fast to be seen", STEADY, DIP_PA, 0.2),
        ("nothing to be seen", STEADY, 0.0, 1.0),
    ],
)
def test_otherwise_a_pulse_counts_as_rated(
    why: str, setpoints: Setpoints, dip_pa: float, time_constant_s: float
) -> None:
    collector = a_collector(setpoints)
    if setpoints.header is None:
        collector.header = None
    pulsing(collector, 100, dip_pa, time_constant_s)
    total = collector.state.air.total
    assert total.measured == 0, why
    assert total.rated >= 9
    assert total.free_m3 == pytest.approx(0.04 * total.rated)


def test_a_header_that_cannot_be_read_leaves_the_rated_figure() -> None:
    collector = a_collector()
    collector.hold(1100.0, 1)
    collector.header = Measured(float("nan"))
    collector.hold(1100.0, 60)
    assert collector.state.air.total.measured == 0
    assert collector.state.air.total.rated == len(collector.of(PulseFired)) >= 5


def test_readings_that_do_not_come_are_not_waited_for_for_ever() -> None:
    slow = chosen(STEADY, stale_after_s=100.0, pulsing={"interval_s": 60.0})
    collector = a_collector(chosen(slow, cleaning={"high_pa": 1000.0}))
    collector.wait(60.0)
    assert collector.poll(1100.0).state.quiet is None
    assert collector.wait(1.0).state.air.measurement is not None
    collector.wait(15.0)
    assert collector.state.air.measurement is None
    assert collector.state.air.total == Amount(0.04, 0, 1)


def test_a_pulse_that_fails_has_drawn_none() -> None:
    collector = a_collector()
    collector.outcome = answering(FireValve=Outcome.FAILED)
    collector.hold(1100.0, 60)
    assert collector.sent(FireValve)
    assert collector.state.air.total == Amount()
    assert collector.state.air.measurement is None


def test_a_pulse_cut_off_by_a_restart_counts_as_rated() -> None:
    collector = a_collector()
    collector.outcome = answering(FireValve=None)
    collector.hold(1100.0, 1)
    assert collector.state.air.measurement is not None
    collector.restart()
    assert collector.state.air.total == Amount(0.04, 0, 1)
    assert collector.state.air.measurement is None


def test_a_pulse_whose_recharge_a_restart_hid_counts_as_rated_once() -> None:
    collector = a_collector()
    collector.hold(1100.0, 1)
    assert collector.state.air.measurement is not None
    collector.restart()
    assert collector.state.air.total == Amount(0.04, 0, 1)
    assert [used.rated for used in collector.of(AirUsed)] == [1]


def test_a_report_before_the_pulse_can_be_over_does_not_shorten_it() -> None:
    """An output module may report when it has begun, not when it has ended."""
    collector = a_collector()
    collector.outcome = answering(FireValve=None)
    collector.hold(1100.0, 1)
    (_, command) = collector.sent(FireValve)[-1]
    collector.feed(OutputReported(collector.now, command.command_id, Outcome.DONE))
    watch = collector.state.air.measurement
    assert watch is not None
    assert watch.ended_s == watch.began_s + 0.15


def test_of_a_sequencer_board_no_pulse_is_known() -> None:
    setpoints = board()
    assert not counts(setpoints)
    collector = ready(setpoints).hold(1100.0, 100)
    assert collector.state.air == AirUse()


@pytest.mark.parametrize(
    ("setpoints", "can"),
    [(STEADY, True), (chosen(STEADY, air=Air()), False), (chosen(air=AIR), False)],
)
def test_whether_pulses_can_be_measured_at_all(setpoints: Setpoints, can: bool) -> None:
    assert measures(setpoints) is can


# --- hours and days

RATED = chosen(cleaning={"max_cycles": 10_000}, air=Air(rated_pulse_m3=0.05))


def test_an_account_is_told_at_the_end_of_each_hour_with_pulses() -> None:
    collector = ready(RATED)
    to_the_hour_s = 3600.0 - (FIRST_UTC_S + collector.t) % 3600.0
    collector.hold(1100.0, 100).wait(to_the_hour_s)
    (used,) = collector.of(AirUsed)
    (at_s, _) = collector.when(AirUsed)[0]
    assert (FIRST_UTC_S + at_s) % 3600.0 == pytest.approx(0.0, abs=1e-3)
    assert used.rated == len(collector.of(PulseFired))
    assert used.free_m3 == pytest.approx(0.05 * used.rated)
    assert used.mass_kg == pytest.approx(mass_kg(used.free_m3, 101_325.0))
    assert used.blower_run_s > 100.0
    assert collector.state.air.last_hour == Amount(used.free_m3, 0, used.rated)
    assert collector.state.air.hour == Amount()
    collector.wait(7200.0)
    assert len(collector.of(AirUsed)) == 1


def test_without_a_clock_an_account_takes_an_hour_from_its_first_pulse() -> None:
    class Clockless(Collector):
        @property
        def now(self):  # type: ignore[no-untyped-def]
            return type(super().now)(self.t, None)

    collector = Clockless(RATED)
    collector.hold(800.0, 14).hold(1100.0, 20)
    first_s = collector.pulses[0][0]
    collector.wait(4000.0)
    assert [t for t, _ in collector.when(AirUsed)] == [first_s + 3600.0]
    assert collector.state.air.day_number is None
    assert collector.of(AirUsed)[0].from_utc_s is None


def test_a_day_is_one_of_utc() -> None:
    collector = ready(RATED)
    collector.hold(1100.0, 60)
    assert collector.state.air.day == collector.state.air.total
    collector.hold(700.0, 20)
    first = collector.state.air.total
    collector.wait(86_400.0)
    collector.hold(1100.0, 60)
    air = collector.state.air
    assert air.day.rated == air.total.rated - first.rated > 0


def test_consumption_of_a_ten_second_timer() -> None:
    """Computed: 360 pulses an hour of 40.827578 L are 14.697928 m3 an hour, and at 18 kW per 100
    cfm and 6000 h 9342.944 kWh a year; on demand, 48 an hour, it is 1245.726 kWh."""
    one_m3 = free_m3(drawn_kg(0.03, 90 * PSI_PA, 70 * PSI_PA), 101_325.0)
    kwh_per_m3 = 18.0 / (100.0 * 0.3048**3 * 60.0)
    assert Air().energy_kwh_per_m3 == pytest.approx(kwh_per_m3, rel=1e-3)
    for pulses, m3_h, kwh in ((360, 14.697928, 9342.944), (48, 1.959724, 1245.726)):
        total = Amount()
        for _ in range(pulses):
            total = total.plus(Amount(one_m3, 1, 0))
        assert total.free_m3 == pytest.approx(m3_h, rel=1e-6)
        assert total.free_m3 * 6000 * kwh_per_m3 == pytest.approx(kwh, rel=1e-6)
