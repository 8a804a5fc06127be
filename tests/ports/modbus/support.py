"""Settings and shorthands the tests here share."""

from typing import Any

from dustcake.adapters.modbus.messages import Read
from dustcake.core.inputs import FailureKind, ReadFailure
from dustcake.settings.buses import (
    AnalogInput,
    BitTable,
    CoilOutput,
    ContactInput,
    Contacts,
    Outputs,
    WordTable,
)


def words(address: int = 0, count: int = 1, unit: int = 1) -> Read:
    return Read(unit, WordTable.HOLDING, address, count)


def coils(address: int = 0, count: int = 1, unit: int = 1) -> Read:
    return Read(unit, BitTable.COIL, address, count)


def analog(register: int, kind: str = "scaled_integer", **more: Any) -> AnalogInput:
    fields = {"bus": "hall", "register": register, "kind": kind, "span": ["0 Pa", "2500 Pa"]}
    return AnalogInput.model_validate(fields | more)


def contacts(**addresses: int | dict[str, Any]) -> Contacts:
    return Contacts(
        **{
            name: ContactInput.model_validate(
                {"bus": "hall"} | (at if isinstance(at, dict) else {"address": at})
            )
            for name, at in addresses.items()
        }
    )


def outputs(kind: str, coils: list[int], **more: Any) -> Outputs:
    return Outputs.model_validate({"kind": kind, "bus": "hall", "coils": coils} | more)


def blower(coil: int) -> CoilOutput:
    return CoilOutput(bus="hall", coil=coil)


def failed(answer: object, kind: FailureKind) -> str:
    """Asserts that ``answer`` is a failure of ``kind``; its detail."""
    assert isinstance(answer, ReadFailure), answer
    assert answer.kind is kind, answer
    return answer.detail
