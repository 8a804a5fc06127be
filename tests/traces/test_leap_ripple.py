"""Ripple that takes dP over the high set point and back: leapt over as long as it is back before
the on-delay is over, and never when anything else hangs on it."""

from collections import Counter
from dataclasses import replace
from random import Random

import numpy as np
import pytest
from hypothesis import given

from core.driver import chosen as of_driver
from core.traces import SEEDS, setpoints
from dustcake.core.events import Event
from dustcake.core.inputs import Contacts, PollCompleted
from dustcake.core.reasons import Because
from dustcake.core.requests.kinds import Mode
from dustcake.core.setpoints import Setpoints
from dustcake_lab.replay.replay import Replay
from dustcake_lab.traces.samples import Columns, Floats
from examples import explore
from traces.test_leap_columns import EveryStep, split

HIGH_PA = 1000.0
WORKING = Contacts(True, False, False, True, False, False)

reached: Counter[str] = Counter()


class Counting(Replay):
    """Counts the steps in which dP goes over the high set point."""

    overs = 0

    def _take(self, poll: PollCompleted) -> list[Event]:
        was_idle = self.state.decision.reason.code is Because.BELOW_HIGH
        events = super()._take(poll)
        self.overs += was_idle and self.state.cleaning.high_since_s is not None
        return events


def rippling(seed: int, header: bool) -> Columns:
    """dP that loads through the high set point with ripple, falls back by pulses that are not
    ours, is lost now and then, pauses, and jumps onto limits."""
    random = Random(seed)
    dp: list[float] = []
    apart: list[float] = []
    for _ in range(random.randint(2, 5)):
        rows = random.choice((20, 120, 300))
        level = HIGH_PA + random.choice((-3.0, -1.0, -0.5, 0.0, 0.5))
        ripple = random.choice((0.5, 1.0, 2.0, 190.0))
        values = [level + round(random.gauss(0.0, ripple), 1) for _ in range(rows)]
        for _ in range(random.choice((0, 0, 2))):
            odd = (HIGH_PA, 1190.0, 1250.0, 750.0, 740.0, float("nan"), 2600.0)
            values[random.randrange(rows)] = random.choice(odd)
        dp += values
        step_s = random.choice((0.5, 1.0, 1.0, 1.25))
        apart += [random.choice((1.0, 1.0, 9.0))] + [step_s] * (rows - 1)
    return Columns(
        t_s=np.cumsum(apart) - apart[0],
        start_utc_s=random.choice((None, 1.7e9)),
        dp_pa=np.array(dp),
        header_pa=dips(random, len(dp)) if header else None,
        kinds=(WORKING,),
    )


def dips(random: Random, rows: int) -> Floats:
    pressure = np.full(rows, 600e3)
    pressure[::90] -= random.choice((0.0, 0.0, 0.0, 4e5))
    return pressure


@given(SEEDS, setpoints())
def _same(seed: int, drawn: Setpoints) -> None:
    random = Random(seed)
    cleaning = replace(
        drawn.cleaning, mode=Mode.ON_DEMAND, on_delay_s=random.choice((2.0, 2.5, 5.0))
    )
    # In one of two some other limit is the same dP.
    limits = replace(drawn.limits, high_pa=random.choice((1500.0, HIGH_PA)))
    drawn = replace(drawn, cleaning=cleaning, limits=limits)
    columns = rippling(seed, drawn.header is not None)
    replay, plain = Counting(drawn), EveryStep(drawn)
    leapt = list(replay.events(split(columns, seed)))
    stepped = list(plain.events([columns.poll(row) for row in range(len(columns))]))
    assert leapt == stepped
    assert replay.tally == plain.tally
    assert replace(replay.state, quiet=None) == replace(plain.state, quiet=None)
    over = columns.dp_pa >= HIGH_PA
    reached["leapt over"] += int((over[1:] & ~over[:-1]).sum()) - replay.overs
    reached["taken as a step"] += replay.overs
    reached["runs"] += replay.tally.runs


def test_ripple_over_the_high_set_point_leads_to_what_stepping_every_sample_leads_to() -> None:
    reached.clear()
    explore(_same, 40, reached, {"leapt over": 500, "taken as a step": 100, "runs": 20})


@pytest.mark.parametrize(("high_for_s", "taken"), [(4.0, False), (5.0, True), (6.0, True)], ids=str)
def test_how_long_is_brief(high_for_s: float, taken: bool) -> None:
    """With an on-delay of 5 s: back after 4 s nothing was ever due; back after 5 s it was."""
    setpoints = of_driver(cleaning={"on_delay_s": 5.0})
    t_s = np.arange(600.0)
    dp_pa = np.where((t_s >= 300) & (t_s < 300 + high_for_s), 1001.0, 990.0)
    dp_pa += np.sin(t_s)  # a signal that moves
    replay = Counting(setpoints)
    list(replay.events([Columns(t_s, None, dp_pa)]))
    assert (replay.overs == 1) is taken
