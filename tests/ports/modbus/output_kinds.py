"""Outputs of each kind, and looking at what they ask of a rogue."""

from collections.abc import Callable

from dustcake.adapters.modbus import Bus, CoilOutputs
from dustcake.core.commands import FireValve
from ports.modbus.rogue import RogueRtu, RogueTcp, Tampered
from ports.modbus.support import blower, outputs

AnyRogue = RogueTcp | RogueRtu
FIRE_2 = FireValve(command_id=1, valve=2, on_time_s=0.15)


def functions(rogue: AnyRogue) -> list[int]:
    at = 7 if isinstance(rogue, RogueTcp) else 1
    return [frame[at] for frame in rogue.frames]


def pdu(rogue: AnyRogue, frame: bytes) -> bytes:
    return frame[7:] if isinstance(rogue, RogueTcp) else frame[1:-2]


def silent_when(rogue: AnyRogue, matches: Callable[[bytes], bool]) -> None:
    """Carry requests whose PDU matches out, but do not answer them."""

    def tamper(request: bytes, reply: bytes) -> Tampered:
        return None if matches(pdu(rogue, request)) else reply

    rogue.tamper = tamper


def is_on(request: bytes) -> bool:
    return request[0] == 5 and request[3] == 0xFF


def is_off(request: bytes) -> bool:
    return request[0] == 5 and request[3] == 0


def timed(bus: Bus, coils: list[int] | None = None) -> CoilOutputs:
    return CoilOutputs(
        {"hall": bus}, outputs("valves_on_off", coils or [16, 17, 18, 19]), blower(30)
    )


def one_shot(bus: Bus, **more: object) -> CoilOutputs:
    return CoilOutputs({"hall": bus}, outputs("valves_one_shot", [0, 1, 2], **more), None)


def demand(bus: Bus) -> CoilOutputs:
    return CoilOutputs({"hall": bus}, outputs("demand_contact", [4]), blower(5))
