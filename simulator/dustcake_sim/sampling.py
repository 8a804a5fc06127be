"""A collector and its output module under regular samples, with the leaps over uneventful ones.

Time here is scenario time, in seconds; nothing runs faster than in life, it is only computed
faster. Sample `n` is taken at `n * sample_s`.
"""

from __future__ import annotations

from statistics import NormalDist

from dustcake_sim.collector import Collector
from dustcake_sim.instruments import Transmitter, TransmitterFault, cut
from dustcake_sim.outputs import OutputModule
from dustcake_sim.plant.record import record
from dustcake_sim.scenario import Scenario

_SCANNED = 64
"""Most samples checked one by one between two computed states; the cake between is a line."""
_MOST_LEAPT = 4096
_FIRST_NEAR = 8
_SLACK = 0.02
"""How far off that line a reading may be, Pa, and still be checked exactly."""


_MASK = (1 << 64) - 1
_GOLDEN = 0x9E37_79B9_7F4A_7C15
_STANDARD = NormalDist()


class SampleNoise:
    """Standard normal deviations of one channel's samples.

    Each follows from seed, channel and number alone, not from the order in which samples are taken,
    so a run that leaps over samples nobody needs meets the same noise at those it takes.
    """

    def __init__(self, seed: int, channel: int) -> None:
        self._start = _mixed(seed * 16 + channel)

    def __call__(self, number: int) -> float:
        """The deviation of sample `number`."""
        # 52 bits, and half a step in from both ends: never 0 or 1, where the tail is endless.
        share = ((_mixed(self._start + number) >> 12) + 0.5) * 2.0**-52
        return _STANDARD.inv_cdf(share)


def _mixed(number: int) -> int:
    """A 64-bit word from another, well mixed: the finalizer of splitmix64 (public domain)."""
    word = (number * _GOLDEN + _GOLDEN) & _MASK
    word = ((word ^ (word >> 30)) * 0xBF58_476D_1CE4_E5B9) & _MASK
    word = ((word ^ (word >> 27)) * 0x94D0_49BB_1331_11EB) & _MASK
    return word ^ (word >> 31)


@record
class Band:
    """Readings strictly inside are uneventful; None is open."""

    low: float | None
    high: float | None

    def holds(self, value: float, margin: float) -> bool:
        """Whether a value is inside by more than `margin`."""
        return (self.low is None or value - margin > self.low) and (
            self.high is None or value + margin < self.high
        )


@record
class _Watched:
    """`astray`: by how much at most the value may bend away from between those of two states."""

    transmitter: Transmitter
    noise: SampleNoise
    band: Band
    lag_s: float
    astray: float = 0.0

    def clear_of_edges(self, before: tuple[float, float]) -> bool:
        """Whether it stayed inside since true and damped value were `before`, for any noise."""
        now = (self.transmitter.true, self.transmitter.damped)
        return all(
            _clear(self.band, self.transmitter, value, self.astray) for value in (*before, *now)
        )


def _clear(band: Band, transmitter: Transmitter, value: float, astray: float = 0.0) -> bool:
    """Whether no noise can take this value out of the band, nor it being `astray` by so much."""
    return band.holds(transmitter.before_noise(value), transmitter.reach + _SLACK + astray)


def _room(dp: _Watched, rate: float) -> float:
    """Samples until dP, changing by `rate` from each to the next, comes near the band's edge."""
    if rate == 0.0:
        return _MOST_LEAPT
    edge = dp.band.high if rate > 0.0 else dp.band.low
    if edge is None:
        return _MOST_LEAPT
    room = abs(edge - dp.transmitter.before_noise(dp.transmitter.true)) - dp.transmitter.reach
    return min(0.95 * room / abs(rate), _MOST_LEAPT)


class SampledCollector:
    """A collector moved along exactly, and sampled."""

    def __init__(self, scenario: Scenario, sample_s: float, seed: int) -> None:
        self.collector = Collector(scenario, seed=seed)
        self.outputs = OutputModule(self.collector.plant.rows)
        self.sample_s = sample_s
        self.t_s = 0.0
        self.next_sample = 0
        self._trend_pa_s = 0.0
        """How fast dP has changed of late: a guess for what is to come."""
        self._dp_noise = SampleNoise(seed, 0)
        self._header_noise = SampleNoise(seed, 1)
        self.collector.happen(0.0)

    @property
    def next_sample_s(self) -> float:
        """When the next sample is due."""
        return self.next_sample * self.sample_s

    def next_change_s(self) -> float:
        """When plant or outputs do something by themselves next; infinite if never."""
        return min(self.collector.next_happening_s(), self.outputs.next_due_s())

    def advance_to(self, t_s: float) -> None:
        """Run everything up to `t_s`, which must not be later than `next_change_s`."""
        one, begun_s, begun_pa = self.collector, self.t_s, self.collector.dp.true
        while self.t_s < t_s:
            step_s = min(t_s - self.t_s, one.longest_step_s(self.t_s))
            one.move(step_s, self.outputs.blower_request, self.outputs.energised())
            self.t_s = t_s if step_s == t_s - self.t_s else self.t_s + step_s
            one.dp.follow(one.sensed_pa(), step_s, lag_s=one.dp_lag_s(self.t_s - step_s / 2.0))
            one.header.follow(one.state.header_gauge_pa, step_s)
            one.flow.follow(one.point.flow_m3_s, step_s)
        if t_s > begun_s:
            self._trend_pa_s = (one.dp.true - begun_pa) / (t_s - begun_s)
        self.outputs.settle(t_s)
        one.release(self.outputs.energised())
        one.happen(t_s)
        # What has switched shows at once, and not as a ramp over the next step.
        one.dp.jump(one.sensed_pa())
        one.header.jump(one.state.header_gauge_pa)
        one.flow.jump(one.point.flow_m3_s)

    def sample(self) -> tuple[float, float]:
        """Take the sample that is due now: dP and header pressure as measured, Pa."""
        number = self.next_sample
        self.next_sample += 1
        one = self.collector
        return one.dp.sample(self._dp_noise(number)), one.header.sample(self._header_noise(number))

    def leap(self, last: int, dp: Band, header: Band | None) -> bool:
        """Go past samples, up to and with `last`, of which none leaves the bands.

        Stops before the first that does, or that cannot be judged from afar. The caller has seen
        to it that nothing happens on the way. Returns whether any was passed.
        """
        first = self.next_sample
        if not self._steady():
            return False
        one = self.collector
        watched = [_Watched(one.dp, self._dp_noise, dp, one.dp_lag_s(self.t_s))]
        if header is not None:
            # Pressure may recover past where it ends, but not past what warming can do to it.
            watched.append(
                _Watched(
                    one.header,
                    self._header_noise,
                    header,
                    one.header.spec.damping_s,
                    one.header_unsettled_pa(),
                )
            )
        # Within one step, so that readings in between lie on a line.
        most = max(1, int(min(one.longest_step_s(self.t_s) / self.sample_s, _MOST_LEAPT)))
        near = not _clear(dp, one.dp, one.dp.true)
        window, rate = (_FIRST_NEAR if near else 4 * _SCANNED), 0.0
        while self.next_sample <= last:
            # No further than dP can be expected to stay clear: a pass that fails is wasted.
            ahead = max(window if near else _SCANNED, int(_room(watched[0], rate)))
            count = min(window, ahead, most, last - self.next_sample + 1)
            if near:
                count = self._foreseen(min(count, _SCANNED), watched[0])
                if count == 0:
                    break
            true = one.dp.true
            passed = self._pass(count, watched)
            rate = (one.dp.true - true) / passed if passed else rate
            if passed == count:
                window = min(2 * window, _MOST_LEAPT)
            elif passed > 0 or count <= _SCANNED:
                break
            else:
                window = max(_SCANNED, count // 8)
        return self.next_sample > first

    def _foreseen(self, count: int, dp: _Watched) -> int:
        """How many of the next samples of dP should stay inside, if it goes on as it did.

        Only a guess, so that a pass is not tried in vain. The passes themselves do not rely on it.
        """
        one, noise, size, holds = dp.transmitter, dp.noise, dp.transmitter.spec.noise, dp.band.holds
        start = one.before_noise(one.true - self._trend_pa_s * dp.lag_s)
        slope = self._trend_pa_s * (1.0 + one.span_error)
        reach = one.reach + _SLACK
        for number in range(self.next_sample, self.next_sample + count):
            value = start + slope * (number * self.sample_s - self.t_s)
            if not holds(value, reach) and not holds(value + size * cut(noise(number)), _SLACK):
                return number - self.next_sample
        return count

    def _steady(self) -> bool:
        """Whether what is read changes in one direction, and only with the cake."""
        one = self.collector
        target = 1.0 if one.blower_running(self.outputs.blower_request) else 0.0
        return (
            one.state.blower_speed == target
            and not any(self.outputs.energised())
            and not one.valves_stuck_open()
            and all(each.fault is TransmitterFault.NONE for each in (one.dp, one.header))
        )

    def _pass(self, count: int, watched: list[_Watched]) -> int:
        """Pass up to `count` samples; how many. After 0, everything is as it was."""
        one, begun_s, begun = self.collector, self.t_s, self.next_sample
        moment, drum_full = one.moment(), one.drum_full()
        before = [(each.transmitter.true, each.transmitter.damped) for each in watched]
        end_s = (begun + count - 1) * self.sample_s
        self.advance_to(end_s)
        unclear = [
            (each, was)
            for each, was in zip(watched, before, strict=True)
            if not each.clear_of_edges(was)
        ]
        same_drum = one.drum_full() == drum_full  # or its contact is made on the way
        if same_drum and not unclear:
            self.next_sample = begun + count
            return count
        clear = 0
        if same_drum and count <= _SCANNED:
            clear = self._clear_of(begun, count, begun_s, end_s, unclear)
        if clear == count:
            self.next_sample = begun + count
            return count
        one.back_to(moment)
        self.t_s = begun_s
        if clear > 0:
            self.advance_to((begun + clear - 1) * self.sample_s)
            self.next_sample = begun + clear
        return clear

    def _clear_of(
        self,
        begun: int,
        count: int,
        begun_s: float,
        end_s: float,
        unclear: list[tuple[_Watched, tuple[float, float]]],
    ) -> int:
        """How many of the samples are certain to stay inside: those before the first in doubt."""
        span_s = end_s - begun_s
        if span_s <= 0.0:
            return 0
        for each, (true, damped) in unclear:
            transmitter = each.transmitter
            rate = (transmitter.true - true) / span_s
            # Settled: damping lags behind an even change by its time constant, and stays so.
            if abs(damped - (true - rate * each.lag_s)) > _SLACK:
                return 0
            start = transmitter.before_noise(damped)
            slope = transmitter.before_noise(damped + rate) - start
            margin = transmitter.spec.resolution / 2.0 + _SLACK
            noise, size, holds = each.noise, transmitter.spec.noise, each.band.holds
            for number in range(begun, begun + count):
                value = start + slope * (number * self.sample_s - begun_s)
                if holds(value, transmitter.reach + _SLACK):
                    continue
                deviation = cut(noise(number))
                if not holds(value + size * deviation, margin):
                    count = number - begun
                    break
        return count
