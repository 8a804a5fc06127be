"""The blower: it starts, turns the right way, and moves air."""

from dustcake.commissioning.cautions import LOCK_OUT, ROTATION
from dustcake.commissioning.parts import Action, Ask, Form, Step
from dustcake.commissioning.seen import Asked, Outcome, Site, Watched, failed, passed
from dustcake.core.setpoints import BlowerRequest


def blower(site: Site) -> Step:
    """Rotation and flow. Only where the run request is by hand does dustcake start it."""
    by_hand = site.setpoints.blower.request is BlowerRequest.HAND
    start = Action(
        "start",
        "Start the blower and watch dP" if by_hand else "Watch dP while you start the blower",
        (Ask("clear", "Everybody is clear, guards on, lock-out taken off", Form.CONSENT),),
        _started,
        requests=_ask_run if by_hand else _ask_nothing,
        patience_s=120.0,
    )
    rotation = Action(
        "rotation",
        "Say how it turns",
        (
            Ask("right", "It turns the way of the arrow on its housing", Form.YES_NO),
            Ask("current_a", "Motor current, A", Form.NUMBER, required=False, high=5000),
            Ask("rated_a", "Current on the nameplate, A", Form.NUMBER, required=False, high=5000),
        ),
        _turning,
    )
    return Step(
        "blower",
        "Blower rotation and flow",
        "With the blower running dP rises, the contact (where fitted) proves it, it turns the "
        "right "
        "way, and the motor stays within its nameplate current.",
        (LOCK_OUT, ROTATION),
        (start, rotation),
        (("start", ""), ("rotation", "")),
    )


def _ask_run(_watched: Watched) -> tuple[Asked, ...]:
    return ({"request": "blower", "run": True},)


def _ask_nothing(_watched: Watched) -> tuple[Asked, ...]:
    return ()


def _started(watched: Watched) -> Outcome | None:
    """dP over the last readings must be above what proves flow."""
    proof_pa = watched.site.setpoints.blower.flow_proof_pa
    last = [one.dp_pa for one in watched.seen[-4:]]
    numbers = [pa for pa in last if pa is not None]
    if len(watched.seen) < 5 or len(numbers) < 4 or not watched.now.blower_running:
        return None
    if min(numbers) < proof_pa:
        return None
    before_pa, after_pa = watched.before.dp_pa, sum(numbers) / len(numbers)
    shown = watched.site.shown
    was = "" if before_pa is None else f" from {shown(before_pa)}"
    return passed(
        f"running after {watched.elapsed_s:.0f} s, dP rose{was} to {shown(after_pa)}",
        before_pa=before_pa,
        dp_pa=round(after_pa, 2),
        after_s=round(watched.elapsed_s, 1),
    )


def _turning(watched: Watched) -> Outcome:
    fields = watched.fields
    values = {name: fields[name] for name in ("current_a", "rated_a") if name in fields}
    if not fields["right"]:
        return failed(
            "it turns the wrong way, and moves little air so: have two phases exchanged by a "
            "licensed electrician, after lock-out",
            **values,
        )
    if len(values) == 2 and float(values["current_a"]) > float(values["rated_a"]):
        return failed("more current than the nameplate allows: close the damper further", **values)
    current = f", {values['current_a']:g} A" if "current_a" in values else ""
    return passed(f"it turns the right way{current}", **values)
