"""The steps, in their order."""

from dustcake.commissioning.observation import Equipment, Observation
from dustcake.commissioning.procedure import (
    SKIP,
    Action,
    ActionResult,
    ProcedureStep,
    Steps,
    passed,
    skipped,
)
from dustcake.commissioning.questions import AnswerType, Question
from dustcake.commissioning.steps.devices import SPAN, transmitter, valves, zero
from dustcake.commissioning.steps.operation import SET_POINTS, alarm_trials
from dustcake.commissioning.steps.start_up import DAMPER, SEASONING, START_UP, blower
from dustcake.core.record import replace


def _skip(observed: Observation) -> ActionResult:
    return skipped(f"left out: {observed.fields['why']}")


def _sign(observed: Observation) -> ActionResult:
    return passed(f"signed by {observed.fields['name']}")


_SKIP_STEP = Action(
    SKIP,
    "Leave this step out",
    (Question("why", "Why it is left out", AnswerType.TEXT),),
    _skip,
    secondary=True,
)

SIGN = ProcedureStep(
    "sign",
    "Sign",
    "Everything is on record, and somebody answers for it. The signature is a typed name, the time "
    "and the SHA-256 of the record; it is no legal statement.",
    (),
    (
        Action(
            "sign",
            "Sign the record",
            (
                Question("name", "Your name, as you sign", AnswerType.TEXT),
                Question(
                    "true", "What is on record is what I have seen and done", AnswerType.CONSENT
                ),
            ),
            _sign,
        ),
    ),
    (("sign", ""),),
)


def all_steps(equipment: Equipment) -> Steps:
    """The steps for this collector. Only the last, the signature, cannot be skipped."""
    steps = (
        transmitter(equipment),
        SPAN,
        zero(equipment),
        valves(equipment),
        blower(equipment),
        START_UP,
        SEASONING,
        DAMPER,
        SET_POINTS,
        alarm_trials(equipment),
    )
    return (*(replace(step, actions=(*step.actions, _SKIP_STEP)) for step in steps), SIGN)
