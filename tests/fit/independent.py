"""Traces of a collector that is not ours: the textbook equations in scipy's solver, dust on rows
side by side at constant flow, pulses with scatter, a reading with noise, and a plain controller."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.integrate import solve_ivp

from core.driver import BASE
from dustcake_lab.fit.data import Samples, gather
from dustcake_lab.traces.columns import Recorded
from dustcake_lab.traces.samples import Columns

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Truth:
    """SI units; numbers of the constant-flow example: V 0.015 m/s, S_e 40 000, K2 1e5."""

    rows: int = 4
    flow_m3s: float = 1.2
    area_m2: float = 80.0
    media_pa_s_m: float = 40_000.0
    k2_per_s: float = 1e5
    dust_kg_m3: float = 1e-3
    removed: float = 0.6
    scatter: float = 0.05
    noise_pa: float = 3.0
    gusts: float = 0.0
    """Standard deviation of an hour's load, over the mean load."""
    rise_pa_per_h: float = 0.0
    """By how much the media's part of dP rises in an hour of running."""
    rise_pa_per_pulse: float = 0.0
    step_s: int = 1
    """Between two readings."""

    @property
    def velocity_m_s(self) -> float:
        return self.flow_m3s / self.area_m2

    @property
    def load_pa_per_s(self) -> float:
        return self.k2_per_s * self.dust_kg_m3 * self.velocity_m_s**2

    @property
    def residual_pa(self) -> float:
        return self.media_pa_s_m * self.velocity_m_s


class Collector:
    """Lives second by second; what it is read and what is done to it is kept."""

    def __init__(
        self, truth: Truth, seed: int, load: Callable[[float], float] = lambda _hour: 1.0
    ) -> None:
        self.truth, self._rng, self._load = truth, np.random.default_rng(seed), load
        self.cake = 0.02 + 0.005 * self._rng.random(truth.rows)
        self.t_s = 0.0
        self._gusts: list[float] = []
        self._times: list[Floats] = []
        self._dp: list[Floats] = []
        self._pulses: list[tuple[float, int]] = []
        self._row = 0

    @property
    def residual_pa(self) -> float:
        """What no pulse takes off, now."""
        truth = self.truth
        aged_pa = truth.rise_pa_per_h * self.t_s / 3600.0
        return truth.residual_pa + aged_pa + truth.rise_pa_per_pulse * len(self._pulses)

    def _drag(self, cake: Floats) -> Floats:
        return self.residual_pa / self.truth.velocity_m_s + self.truth.k2_per_s * cake

    def _load_now(self) -> float:
        pattern, gusts = self._load(self.t_s % 86_400 / 3600), self.truth.gusts
        if not gusts:
            return pattern
        while len(self._gusts) <= self.t_s // 3600:
            self._gusts.append(max(0.05, self._rng.normal(1.0, gusts)))
        return pattern * self._gusts[-1]

    def dp(self, cake: Floats) -> Floats:
        truth = self.truth
        drag = self._drag(cake)
        each_m2 = truth.area_m2 / truth.rows
        dp: Floats = truth.flow_m3s / (each_m2 * (1.0 / drag).sum(axis=0))
        return dp

    @property
    def dp_pa(self) -> float:
        return float(self.dp(self.cake))

    def run(self, seconds: int) -> None:
        truth, end_s = self.truth, self.t_s + seconds
        dust = truth.dust_kg_m3 * self._load_now()

        def growth(_t: float, cake: Floats) -> Floats:
            return dust * float(self.dp(cake)) / self._drag(cake)

        step_s = min(truth.step_s, seconds)
        at: Floats = self.t_s + np.arange(step_s, seconds + 1, step_s, dtype=np.float64)
        span = (self.t_s, end_s)
        solved = solve_ivp(growth, span, self.cake, "LSODA", t_eval=at, rtol=1e-8, atol=1e-12)
        self.cake, self.t_s = solved.y[:, -1], end_s
        self._times.append(at)
        reading: Floats = self.dp(solved.y)
        reading += self._rng.normal(0.0, truth.noise_pa, len(at))
        self._dp.append(reading)

    def pulse(self) -> None:
        share = float(np.clip(self._rng.normal(self.truth.removed, self.truth.scatter), 0.01, 0.99))
        self.cake = self.cake.copy()
        self.cake[self._row] *= 1.0 - share
        self._pulses.append((self.t_s, self._row + 1))
        self._row = (self._row + 1) % self.truth.rows

    def on_demand(self, days: float, low_pa: float = 750.0, high_pa: float = 1000.0) -> None:
        while self.t_s < days * 86_400:
            self.run(600 if self.dp_pa < 0.97 * high_pa else 20)
            pulses = 0
            while self.dp_pa >= high_pa or (pulses and self.dp_pa > low_pa and pulses < 40):
                self.pulse()
                pulses += 1
                self.run(15)

    def timed(self, days: float, interval_s: int) -> None:
        while self.t_s < days * 86_400:
            self.run(interval_s)
            self.pulse()

    def trace(self) -> tuple[Samples, Recorded]:
        t_s = np.concatenate(self._times) - 1.0
        recorded = Recorded(has_pulse_columns=True)
        for at_s, valve in self._pulses:
            recorded.pulsed(at_s - 1.0, at_s, valve, 1)
        columns = Columns(t_s, 0.0, np.concatenate(self._dp))
        return gather([columns], BASE), recorded

    def csv(self) -> str:
        """The same, as a file."""
        t_s, dp_pa = np.concatenate(self._times) - 1.0, np.concatenate(self._dp)
        fired = [""] * len(t_s)
        for at_s, valve in self._pulses:
            fired[min(int(np.searchsorted(t_s, at_s)), len(t_s) - 1)] = str(valve)
        rows = (
            f"{t:.0f},{dp:.1f},{valve}"
            for t, dp, valve in zip(t_s.tolist(), dp_pa.tolist(), fired, strict=True)
        )
        return "time,dp_pa,pulse_valve\n" + "\n".join(rows) + "\n"
