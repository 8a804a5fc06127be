"""The steps, in their order."""

from dustcake.commissioning.parts import SETTLED, SKIP, Action, Ask, Form, Step, state_of
from dustcake.commissioning.record import Record, Result
from dustcake.commissioning.seen import Outcome, Site, Watched
from dustcake.commissioning.steps.alarms import alarms_tried
from dustcake.commissioning.steps.blower import blower
from dustcake.commissioning.steps.filters import damper, seasoning, start_up
from dustcake.commissioning.steps.set_points import set_points
from dustcake.commissioning.steps.transmitter import span, transmitter, zero
from dustcake.commissioning.steps.valves import valves

SIGN = "sign"


def all_steps(site: Site) -> tuple[Step, ...]:
    """The steps for this collector. Only the last, the signature, cannot be skipped."""
    steps = (
        transmitter(site),
        span(),
        zero(site),
        valves(site),
        blower(site),
        start_up(),
        seasoning(),
        damper(),
        set_points(site),
        alarms_tried(site),
    )
    return (*(_skippable(step) for step in steps), _sign())


def _skippable(step: Step) -> Step:
    skip = Action(
        SKIP,
        "Leave this step out",
        (Ask("why", "Why it is left out", Form.TEXT),),
        _skipped,
        aside=True,
    )
    return Step(
        step.name,
        step.title,
        step.checks,
        step.cautions,
        (*step.actions, skip),
        step.proofs,
        step.by_itself,
    )


def _skipped(watched: Watched) -> Outcome:
    return Outcome(Result.SKIPPED, f"left out: {watched.fields['why']}", {})


def _sign() -> Step:
    sign = Action(
        "sign",
        "Sign the record",
        (
            Ask("name", "Your name, as you sign", Form.TEXT),
            Ask("true", "What is on record is what I have seen and done", Form.CONSENT),
        ),
        _signed,
    )
    return Step(
        SIGN,
        "Sign",
        "Everything is on record, and somebody stands by it. The signature is a typed name, the "
        "time "
        "and the SHA-256 of the record; it is no legal statement.",
        (),
        (sign,),
        (("sign", ""),),
    )


def _signed(watched: Watched) -> Outcome:
    return Outcome(Result.PASSED, f"signed by {watched.fields['name']}", {})


def barred(steps: tuple[Step, ...], one: Record, name: str) -> Step | None:
    """The first step before the one called ``name`` that is neither passed nor left out."""
    for step in steps:
        if step.name == name:
            return None
        if state_of(step, one) not in SETTLED:
            return step
    return None


def current(steps: tuple[Step, ...], one: Record) -> Step | None:
    """The step to go on with; None when all is done."""
    return next((step for step in steps if state_of(step, one) not in SETTLED), None)
