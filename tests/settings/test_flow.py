"""What `check` says of flow is what the core does."""

from dataclasses import replace
from itertools import product

import pytest

from core.driver import LOST, Collector
from dustcake.core.commands import FireValve
from dustcake.core.inputs import Signal
from dustcake.core.requests.kinds import Mode
from dustcake.settings.model import Settings
from dustcake.settings.setpoints import to_setpoints
from dustcake.settings.summary import summary
from settings.files import BLOWER_CONTACT, file_text, only_problem, settings_of

WHY = "the fan's starter switches the supply of the valves"
ACCEPTED = f'blower.timed_without_proof = "{WHY}"\n'
HOLD = 'cleaning.on_bad_reading = "hold"\n'
FILES = {
    "contact": BLOWER_CONTACT,
    "contact, and hold": BLOWER_CONTACT + HOLD,
    "contact, and downtime": BLOWER_CONTACT + "cleaning.downtime = true\n",
    "dP": "",
    "dP, and hold": HOLD,
    "accepted": ACCEPTED,
}


def said(settings: Settings) -> list[str]:
    return [each.text for each in summary(settings) if each.subject == "collector west"]


def pulses(settings: Settings, mode: Mode, dp: float | Signal, *, runs: bool) -> bool:
    """Whether a collector that has cleaned in ``mode`` with flow pulses on at such a dP, for longer
    than anything is waited for but downtime cleaning."""
    (collector,) = settings.collectors
    setpoints = to_setpoints(collector)
    chosen = replace(setpoints, cleaning=replace(setpoints.cleaning, mode=mode))
    driven = Collector(chosen, blower_running=True).hold(1100.0, 60)
    assert driven.sent(FireValve)
    driven.poll(dp, blower_running=runs)
    count = len(driven.sent(FireValve))
    driven.hold(dp, 85)
    return len(driven.sent(FireValve)) > count


@pytest.mark.parametrize(("file", "mode"), list(product(FILES, (Mode.ON_DEMAND, Mode.TIMED))))
def test_what_is_said_of_flow_is_what_is_done(file: str, mode: Mode) -> None:
    settings = settings_of(FILES[file])
    text, timed = "\n".join(said(settings)), mode is Mode.TIMED
    unproved = "timed cleaning pulses without proof of flow" in text
    assert ("FLOW IS NOT PROVED" in text) is unproved is (file == "accepted")
    if "unless the blower contact proves it running" in text:
        assert not pulses(settings, mode, 1100.0, runs=False)
        assert not pulses(settings, mode, LOST, runs=False)
    else:
        assert "unless dP proves flow: from 0.20 inH2O (50 Pa) on, until it is below 0.10" in text
        for dp in (0.0, 24.0, LOST):
            assert pulses(settings, mode, dp, runs=False) is (timed and unproved)
    with_lost_dp = pulses(settings, mode, LOST, runs=True)
    if timed:
        assert with_lost_dp is ("timed cleaning needs no dP" in text or unproved)
        assert with_lost_dp is not ("while dP cannot be trusted: no cleaning pulses" in text)
    else:
        assert with_lost_dp is ("a pulse every 60 s, if the blower is proved running" in text)
        assert with_lost_dp is not ("while dP cannot be trusted: no " in text)


def test_the_reason_is_said_with_the_caution() -> None:
    cautions = [each.text for each in summary(settings_of(ACCEPTED)) if each.caution]
    (caution,) = [text for text in cautions if "FLOW IS NOT PROVED" in text]
    assert caution.endswith(f"because: {WHY}")
    assert "dust cloud" in caution


def test_timed_mode_without_a_contact_is_in_order_and_waits_for_dp() -> None:
    settings = settings_of('cleaning.mode = "timed"')
    assert "while dP cannot be trusted: no cleaning pulses" in said(settings)


@pytest.mark.parametrize(
    ("lines", "allowed"),
    [
        ('blower.timed_without_proof = " "', "a reason in words"),
        ('blower.timed_without_proof = ""', "one line of text"),
        ("blower.timed_without_proof = true", "one line of text"),
        (BLOWER_CONTACT + ACCEPTED, "nothing, as contacts.blower_running is fitted"),
    ],
)
def test_it_takes_a_reason_and_only_where_nothing_else_proves_flow(
    lines: str, allowed: str
) -> None:
    problem = only_problem(file_text(lines))
    assert problem.setting == "collector[west].blower.timed_without_proof"
    assert problem.allowed.startswith(allowed)
