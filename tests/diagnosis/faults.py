"""Faults to be found: how each is brought about, what must then be told, and how soon.

A fault is put into a copy of a world that has worked without one for a while, since most of
diagnosis has to learn what is usual first.
"""

from __future__ import annotations

import copy
import random
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from diagnosis.worlds import HOUR_S, World
from dustcake.core.events import Event, FindingChanged, PulseFired, QualityChanged
from dustcake.core.reasons import Because
from dustcake_loop.closed_loop import ClosedLoop
from dustcake_sim.events import make_event

WARM_S = 5 * HOUR_S
"""Work without a fault before it comes."""


class Bench:
    """A world in which things are done at once, and what comes of them."""

    def __init__(self, world: World, loop: ClosedLoop) -> None:
        self.world, self.loop = world, loop
        self.rng = random.Random(f"fault {world.seed}")
        self.row = self.rng.randint(1, world.rows)
        self.log: list[Event] = []

    def happens(self, kind: str, **fields: Any) -> None:
        """An event of a scenario, now."""
        now_s = self.loop.t_s
        self.loop.field.collector.apply(make_event(kind, now_s, **fields), now_s)

    def run(self, for_s: float, until: Callable[[Event], bool] = lambda _: False) -> bool:
        """Let time pass, but no longer than until this event; whether it came."""
        for event in self.loop.events(self.loop.t_s + for_s):
            self.log.append(event)
            if until(event):
                return True
        return False


def found(*names: str, valve: int | None = None) -> Callable[[Event], bool]:
    """A finding of one of these names, of this valve."""

    def is_it(event: Event) -> bool:
        body = event.body
        return (
            isinstance(body, FindingChanged)
            and body.found
            and body.finding in names
            and valve in (None, body.valve)
        )

    return is_it


def doubted(*codes: Because) -> Callable[[Event], bool]:
    """A reading told as worse than good, for one of these reasons."""

    def is_it(event: Event) -> bool:
        body = event.body
        return isinstance(body, QualityChanged) and any(r.code in codes for r in body.reasons)

    return is_it


@dataclass(frozen=True)
class Outcome:
    """Whether it was told, after how long, and after how many pulses (of that valve, where the
    fault is one valve's). ``at_stop``: only the stop of the blower told, and the delay counts from
    there."""

    told: bool
    delay_s: float
    pulses: int
    at_stop: bool


@dataclass(frozen=True)
class Fault:
    """``bring`` brings it about and returns the event that must tell of it and the valve whose
    pulses are counted (None: all)."""

    name: str
    bring: Callable[[Bench], tuple[Callable[[Event], bool], int | None]]
    within_s: float
    header: bool = True
    stops: bool = False
    """The blower is stopped after an hour, and started again, as it is at the end of a shift."""


def tried(fault: Fault, world: World, warm: ClosedLoop) -> Outcome:
    """Bring the fault about in a copy of a warm world, and see."""
    bench = Bench(world, copy.deepcopy(warm))
    bench.run(bench.rng.uniform(0.0, 1800.0))
    bench.log.clear()
    is_told, valve = fault.bring(bench)
    since_s = bench.loop.t_s
    told = False
    if fault.stops:
        told = bench.run(bench.rng.uniform(900.0, 3600.0), is_told)
        if not told:
            bench.happens("blower", running=False)
            since_s = bench.loop.t_s
    at_stop = fault.stops and not told
    told = told or bench.run(fault.within_s, is_told)
    pulses = sum(
        isinstance(event.body, PulseFired) and valve in (None, event.body.valve)
        for event in bench.log
    )
    return Outcome(told, bench.loop.t_s - since_s, pulses, at_stop)


# --- valves, header, filters


def valve_closed(bench: Bench) -> tuple[Callable[[Event], bool], int | None]:
    bench.happens("valve", valve=bench.row, fault="stuck_closed")
    return found("valve_does_not_fire", valve=bench.row), bench.row


def all_valves_closed(bench: Bench) -> tuple[Callable[[Event], bool], int | None]:
    for valve in range(1, bench.world.rows + 1):
        bench.happens("valve", valve=valve, fault="stuck_closed")
    return found("valve_does_not_fire", valve=0), None


def valve_open(bench: Bench) -> tuple[Callable[[Event], bool], int | None]:
    bench.happens("valve", valve=bench.row, fault="stuck_open")
    return found("valve_stuck_open"), None


def valve_stays_open(bench: Bench) -> tuple[Callable[[Event], bool], int | None]:
    """From one of its own pulses on: it is named then."""
    bench.run(
        4 * HOUR_S,
        lambda event: isinstance(event.body, PulseFired) and event.body.valve == bench.row,
    )
    bench.log.clear()
    bench.happens("valve", valve=bench.row, fault="stuck_open")
    return found("valve_stuck_open", valve=bench.row), None


def header_weak(bench: Bench) -> tuple[Callable[[Event], bool], int | None]:
    gauge_pa = bench.world.plant["header"]["supply_gauge_pa"] * bench.rng.uniform(0.65, 0.8)
    bench.happens("header_supply", gauge_pa=gauge_pa, blow_down=True)
    return found("header_weak"), None


def header_slow(bench: Bench) -> tuple[Callable[[Event], bool], int | None]:
    """A compressor that delivers a sixth to a third of what the pulses take."""
    header = bench.world.plant["header"]
    took = bench.loop.state.pulse_response
    assert took.header.dips
    # Mass a pulse takes, by ISO 6358 for a choked valve, 20 C and the daemon's on-time.
    absolute_pa = header["supply_gauge_pa"] + 101_325.0
    open_s = bench.world.setpoints.pulsing.on_time_s - header["opening_delay_s"]
    pulse_kg = header["conductance_m3_s_pa"] * 1.185 * absolute_pa * open_s
    share = bench.rng.uniform(0.15, 0.35)
    rate = share * pulse_kg / bench.world.setpoints.pulsing.interval_s
    bench.happens("header_supply", compressor_kg_s=rate)
    return found("header_slow", "header_not_refilled"), None


def air_gone(bench: Bench) -> tuple[Callable[[Event], bool], int | None]:
    bench.happens("header_supply", compressor_kg_s=0.0)
    return found("header_slow", "header_not_refilled"), None


def torn(bench: Bench) -> tuple[Callable[[Event], bool], int | None]:
    hole_mm2 = 85_000.0 * bench.world.rows / 4 * bench.rng.uniform(0.7, 1.2)
    bench.happens("filter_torn", row=bench.row, hole_mm2=hole_mm2)
    return found("filter_torn"), None


def row_blocked(bench: Bench) -> tuple[Callable[[Event], bool], int | None]:
    bench.happens("row_cleaning", row=bench.row, share=0.0)
    return found("row_not_recovering", valve=bench.row), bench.row


# --- the reading

DEAD = (Because.NO_RIPPLE, Because.NOT_TO_ZERO, Because.FROZEN)
WRONG_SIGN = (Because.NEGATIVE_WITH_FLOW, Because.ZERO_WITH_FLOW)


def frozen(bench: Bench) -> tuple[Callable[[Event], bool], int | None]:
    bench.happens("transmitter", fault="frozen")
    return doubted(*DEAD), None


def plugged(bench: Bench) -> tuple[Callable[[Event], bool], int | None]:
    bench.happens("sensing_line", line="plugged", over_s=bench.rng.choice((0.0, 600.0)))
    return doubted(*DEAD), None


def over_damped(bench: Bench) -> tuple[Callable[[Event], bool], int | None]:
    bench.happens("damping", damping_s=bench.rng.uniform(300.0, 1200.0))
    return doubted(*DEAD), None


def high_line_off(bench: Bench) -> tuple[Callable[[Event], bool], int | None]:
    bench.happens("sensing_line", line="high_open")
    return doubted(Because.ROSE_AT_ONCE, Because.JUMP_UNEXPLAINED), None


def high_line_leaks(bench: Bench) -> tuple[Callable[[Event], bool], int | None]:
    bench.happens("sensing_line", line="high_leaking", share=bench.rng.uniform(0.4, 0.9))
    return doubted(Because.ROSE_AT_ONCE, Because.JUMP_UNEXPLAINED), None


def low_line_off(bench: Bench) -> tuple[Callable[[Event], bool], int | None]:
    bench.happens("sensing_line", line="low_open")
    return doubted(*WRONG_SIGN), None


def low_line_leaks(bench: Bench) -> tuple[Callable[[Event], bool], int | None]:
    bench.happens("sensing_line", line="low_leaking", share=bench.rng.uniform(0.2, 0.9))
    return doubted(Because.FELL_AT_ONCE, Because.JUMP_UNEXPLAINED, *WRONG_SIGN), None


def swapped(bench: Bench) -> tuple[Callable[[Event], bool], int | None]:
    bench.happens("sensing_line", line="swapped")
    return doubted(*WRONG_SIGN), None


def both_off(bench: Bench) -> tuple[Callable[[Event], bool], int | None]:
    bench.happens("sensing_line", line="both_open")
    return doubted(*WRONG_SIGN), None


def drifted(bench: Bench) -> tuple[Callable[[Event], bool], int | None]:
    offset_pa = bench.rng.choice((-1, 1)) * bench.rng.uniform(10.0, 100.0)
    bench.happens("zero_drift", offset_pa=offset_pa)
    return doubted(Because.ZERO_DRIFT), None


def stuck_at_stop(bench: Bench) -> tuple[Callable[[Event], bool], int | None]:
    """Frozen or plugged just before the blower stops."""
    if bench.rng.random() < 0.5:
        bench.happens("transmitter", fault="frozen")
    else:
        bench.happens("sensing_line", line="plugged")
    bench.happens("blower", running=False)
    return doubted(Because.NOT_TO_ZERO), None


def jumped(bench: Bench) -> tuple[Callable[[Event], bool], int | None]:
    bench.happens("zero_drift", offset_pa=bench.rng.choice((-1, 1)) * bench.rng.uniform(270, 500))
    return doubted(Because.ROSE_AT_ONCE, Because.FELL_AT_ONCE), None


def spiked(bench: Bench) -> tuple[Callable[[Event], bool], int | None]:
    """One sample, and the next is right again."""
    bench.happens("zero_drift", offset_pa=bench.rng.choice((-1, 1)) * bench.rng.uniform(300, 600))
    told = bench.run(1.0, doubted(Because.JUMP_UNEXPLAINED))
    bench.happens("zero_drift", offset_pa=0.0)
    return (lambda _: told), None


def wire_broken(bench: Bench) -> tuple[Callable[[Event], bool], int | None]:
    current_ma = bench.rng.choice((0.0, 3.5, 21.5))
    bench.happens("transmitter", fault="current", current_ma=current_ma)
    return doubted(Because.CURRENT_FAILURE), None


def bus_lost(bench: Bench) -> tuple[Callable[[Event], bool], int | None]:
    bench.happens("fieldbus", silent=True)
    return doubted(Because.READ_FAILED), None


FAULTS = (
    Fault("valve does not fire", valve_closed, 10 * HOUR_S),
    Fault("valve does not fire, no header transmitter", valve_closed, 16 * HOUR_S, header=False),
    Fault("no valve fires", all_valves_closed, 4 * HOUR_S),
    Fault("valve opens by itself and stays open", valve_open, HOUR_S),
    Fault("valve stays open after its pulse", valve_stays_open, HOUR_S),
    Fault("header weak", header_weak, 8 * HOUR_S),
    Fault("header slow to recover", header_slow, 8 * HOUR_S),
    Fault("air supply lost", air_gone, 8 * HOUR_S),
    Fault("filter torn or unseated", torn, 4 * HOUR_S),
    Fault("row no longer recovers", row_blocked, 16 * HOUR_S),
    Fault("signal frozen", frozen, 2 * HOUR_S),
    Fault("sensing line plugged", plugged, HOUR_S, stops=True),
    Fault("signal over-damped", over_damped, HOUR_S, stops=True),
    Fault("high line off", high_line_off, HOUR_S),
    Fault("high line leaks", high_line_leaks, HOUR_S),
    Fault("low line off", low_line_off, HOUR_S),
    Fault("low line leaks", low_line_leaks, HOUR_S),
    Fault("lines swapped", swapped, HOUR_S),
    Fault("both lines off", both_off, HOUR_S),
    Fault("zero drifted", drifted, HOUR_S, stops=True),
    Fault("does not fall to zero", stuck_at_stop, HOUR_S),
    Fault("jump", jumped, HOUR_S),
    Fault("spike", spiked, 60.0),
    Fault("loop failed (NE 43)", wire_broken, 60.0),
    Fault("fieldbus lost", bus_lost, 60.0),
)
