"""Proving each valve: one at a time, with consent, seen at the header and heard at the row."""

from dustcake.commissioning.cautions import NO_FLOW, NOBODY_INSIDE, STORED_AIR
from dustcake.commissioning.observation import Equipment, Observation
from dustcake.commissioning.procedure import (
    Action,
    ActionResult,
    CoreRequest,
    ProcedureStep,
    failed,
    passed,
)
from dustcake.commissioning.questions import AnswerType, Question
from dustcake.core.setpoints import OutputKind
from dustcake.publish.wording import header_unit
from dustcake.units import show

OBSERVED_S = 3.0
LEAST_DIP = 0.02  # of header pressure: less is hardly seen above noise
"""Common practice, no source: a pulse takes a twentieth to a third of a header of fair size."""
_CAUTIONS = (STORED_AIR, NOBODY_INSIDE, NO_FLOW)


def valves(equipment: Equipment) -> ProcedureStep:
    """One pulse each. A sequencer board is proved by its own test."""
    pulsing = equipment.setpoints.pulsing
    if pulsing.kind is OutputKind.DEMAND_CONTACT:
        return _BOARD
    numbers = tuple(str(n) for n in range(1, len(pulsing.order) + 1))
    valve = Question("valve", "Valve", AnswerType.CHOICE, choices=numbers)
    clear = "Nobody is at filters, header or doors; ears protected"
    right = "One short bang, at that row and no other"
    pulse = Action(
        "pulse",
        "Pulse it once",
        (valve, Question("clear", clear, AnswerType.CONSENT)),
        _pulsed,
        requests=_request_pulse,
        timeout_s=pulsing.report_timeout_s + 20.0,
        item="valve",
    )
    heard = Action(
        "heard",
        "Say what was heard",
        (valve, Question("right", right, AnswerType.YES_NO)),
        _heard,
        refuse=_not_pulsed,
        item="valve",
    )
    return ProcedureStep(
        "valves",
        "Valves, one at a time",
        "Each valve fires on command, at the row it is numbered for, and the header dips. Refused "
        "while a door is open, there is smoke or no header pressure, or cleaning runs.",
        _CAUTIONS,
        (pulse, heard),
        tuple((action, number) for number in numbers for action in ("pulse", "heard")),
    )


def _request_pulse(observed: Observation) -> tuple[CoreRequest, ...]:
    return ({"request": "pulse", "valve": int(str(observed.fields["valve"]))},)


def _pulsed(observed: Observation) -> ActionResult | None:
    valve = int(str(observed.fields["valve"]))
    before, now = observed.before, observed.now
    if now.failures > before.failures:
        return failed(f"valve {valve} was not pulsed: the outputs do not follow their commands")
    if now.pulses[valve - 1] == before.pulses[valve - 1] or observed.elapsed_s < OBSERVED_S:
        return None
    if before.header_pa is None:
        return passed(f"valve {valve} was pulsed; no header transmitter to see its dip")
    unit = header_unit(observed.equipment.unit)
    lowest_pa = min(one.header_pa for one in observed.snapshots if one.header_pa is not None)
    dip = (before.header_pa - lowest_pa) / before.header_pa
    values: dict[str, object] = {
        "header_before_pa": round(before.header_pa),
        "header_lowest_pa": round(lowest_pa),
        "dip_percent": round(100 * dip, 1),
    }
    words = f"header {show(before.header_pa, unit)}, down to {show(lowest_pa, unit)} ({dip:.1%})"
    if dip < LEAST_DIP:
        return failed(
            f"valve {valve}: {words}: it does not fire. Check coil, wiring and pilot, after "
            "lock-out and venting",
            **values,
        )
    return passed(f"valve {valve}: {words}", **values)


def _not_pulsed(observed: Observation) -> str | None:
    valve = str(observed.fields["valve"])
    done = observed.record.last("valves", "pulse", valve)
    return None if done is not None else f"pulse valve {valve} first"


def _heard(observed: Observation) -> ActionResult:
    valve = observed.fields["valve"]
    if observed.fields["right"]:
        return passed(f"valve {valve}: one short bang, at its own row")
    return failed(
        f"valve {valve}: not one short bang at its row: check the order of `coils` in the "
        "settings, wiring and blow pipe"
    )


def _board_tested(observed: Observation) -> ActionResult:
    if observed.fields["right"]:
        return passed("every valve fired, by the board's own test")
    return failed("not every valve fired at its row: check wiring and settings of the board")


_EVERY_VALVE = "Every valve fired in its turn, each at its own row"
_BOARD = ProcedureStep(
    "valves",
    "Valves, by the sequencer board's own test",
    "The board fires each valve in its turn. Dustcake only closes its demand contact, and cannot "
    "choose a valve.",
    _CAUTIONS,
    (
        Action(
            "board",
            "Say what was seen",
            (Question("right", _EVERY_VALVE, AnswerType.YES_NO),),
            _board_tested,
        ),
    ),
    (("board", ""),),
)
