"""Proving each valve: one at a time, with consent, seen at the header and heard at the row."""

from dustcake.commissioning.cautions import NO_FLOW, NOBODY_INSIDE, STORED_AIR
from dustcake.commissioning.parts import Action, Ask, Form, Step
from dustcake.commissioning.seen import Asked, Outcome, Site, Watched, failed, passed
from dustcake.core.setpoints import OutputKind
from dustcake.publish.wording import header_unit
from dustcake.units import show

WATCHED_S = 3.0
LEAST_DIP = 0.02  # of header pressure: less is hardly told from noise
"""Common practice, no source: a pulse takes a twentieth to a third of a header of fair size."""


def valves(site: Site) -> Step:
    """One pulse each. A sequencer board is proved by its own test."""
    if site.setpoints.pulsing.kind is OutputKind.DEMAND_CONTACT:
        return _board()
    numbers = tuple(str(n) for n in range(1, len(site.setpoints.pulsing.order) + 1))
    valve = Ask("valve", "Valve", Form.CHOICE, choices=numbers)
    pulse = Action(
        "pulse",
        "Pulse it once",
        (
            valve,
            Ask("clear", "Nobody is at filters, header or doors; ears protected", Form.CONSENT),
        ),
        _pulsed,
        requests=_ask_pulse,
        patience_s=site.setpoints.pulsing.report_timeout_s + 20.0,
        item="valve",
    )
    heard = Action(
        "heard",
        "Say what was heard",
        (valve, Ask("right", "One short bang, at that row and no other", Form.YES_NO)),
        _heard,
        refuse=_not_pulsed,
        item="valve",
    )
    proofs = tuple((action, number) for number in numbers for action in ("pulse", "heard"))
    return Step(
        "valves",
        "Valves, one at a time",
        "Each valve fires when it is told to, at the row it is numbered for, and the header dips. "
        "Refused while a door is open, there is smoke or no header pressure, or cleaning runs.",
        (STORED_AIR, NOBODY_INSIDE, NO_FLOW),
        (pulse, heard),
        proofs,
    )


def _board() -> Step:
    tested = Action(
        "board",
        "Say what was seen",
        (Ask("right", "Every valve fired in its turn, each at its own row", Form.YES_NO),),
        _board_tested,
    )
    return Step(
        "valves",
        "Valves, by the sequencer board's own test",
        "The board fires each valve in its turn. Dustcake only closes its demand contact, and "
        "cannot "
        "choose a valve.",
        (STORED_AIR, NOBODY_INSIDE, NO_FLOW),
        (tested,),
        (("board", ""),),
    )


def _board_tested(watched: Watched) -> Outcome:
    if watched.fields["right"]:
        return passed("every valve fired, by the board's own test")
    return failed("not every valve fired at its row: check wiring and settings of the board")


def _ask_pulse(watched: Watched) -> tuple[Asked, ...]:
    return ({"request": "pulse", "valve": int(str(watched.fields["valve"]))},)


def _pulsed(watched: Watched) -> Outcome | None:
    valve = int(str(watched.fields["valve"]))
    before, now = watched.before, watched.now
    if now.failures > before.failures:
        return failed(f"valve {valve} was not pulsed: the outputs do not do what they are told")
    if now.pulses[valve - 1] == before.pulses[valve - 1] or watched.elapsed_s < WATCHED_S:
        return None
    if before.header_pa is None:
        return passed(f"valve {valve} was told to fire; no header transmitter to see its dip")
    unit = header_unit(watched.site.unit)
    header = [one.header_pa for one in watched.seen if one.header_pa is not None]
    lowest_pa = min(header)
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
            "lock-out "
            "and venting",
            **values,
        )
    return passed(f"valve {valve}: {words}", **values)


def _not_pulsed(watched: Watched) -> str | None:
    valve = str(watched.fields["valve"])
    done = watched.record.last("valves", "pulse", valve)
    return None if done is not None else f"pulse valve {valve} first"


def _heard(watched: Watched) -> Outcome:
    valve = watched.fields["valve"]
    if watched.fields["right"]:
        return passed(f"valve {valve}: one short bang, at its own row")
    return failed(
        f"valve {valve}: not one short bang at its row: check the order of `coils` in the "
        "settings, "
        "wiring and blow pipe"
    )
