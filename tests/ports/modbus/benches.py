"""One way to set up and look at a field, whether it is the fake or devices behind Modbus."""

from typing import Any, Protocol

from dustcake.adapters.modbus import Bus, CoilOutputs, FieldInputs
from dustcake.core.inputs import Contacts, Registers
from dustcake.core.setpoints import OutputKind
from dustcake.ports import Outputs
from ports.fake_field import FakeField
from ports.modbus.clocks import LeapClock
from ports.modbus.rogue import RogueRtu, RogueTcp
from ports.modbus.support import analog, blower, contacts, outputs

VALVES = 4
BLOWER_COIL = 9
CONTACTS = ("blower_running", "smoke", "door_open", "process_running", "stop")


class Bench(Protocol):
    """``on``: what is energised now; ``fired``: valves switched on so far, in order."""

    inputs: FieldInputs | FakeField
    outputs: Outputs

    def set_dp(self, *words: int) -> None: ...
    def set_contacts(self, **states: bool) -> None: ...
    def silence(self, silent: bool) -> None: ...
    def stick(self, output: int | str) -> None: ...
    def switch_on(self, output: int | str) -> None: ...
    def on(self) -> set[int | str]: ...
    def fired(self) -> list[int]: ...


class FakeBench:
    def __init__(self, kind: OutputKind) -> None:
        self._fake = FakeField(kind, VALVES)
        self._fake.contacts = Contacts(**dict.fromkeys(CONTACTS, False))
        self.inputs: FieldInputs | FakeField = self._fake
        self.outputs: Outputs = self._fake

    def set_dp(self, *words: int) -> None:
        self._fake.dp = Registers(words)

    def set_contacts(self, **states: bool) -> None:
        for name, state in states.items():
            setattr(self._fake.contacts, name, state)

    def silence(self, silent: bool) -> None:
        self._fake.silent = silent

    def stick(self, output: int | str) -> None:
        self._fake.stuck_on.add(output)

    def switch_on(self, output: int | str) -> None:
        self._fake.on.add(output)

    def on(self) -> set[int | str]:
        return set(self._fake.on)

    def fired(self) -> list[int]:
        return self._fake.fired


class ModbusBench:
    """The real adapter in front of a device in memory, behind real sockets or a real pty."""

    def __init__(
        self, kind: OutputKind, bus: Bus, rogue: RogueTcp | RogueRtu, clock: LeapClock
    ) -> None:
        self._rogue = rogue
        self._clock = clock
        if kind is OutputKind.VALVES_ONE_SHOT:
            rogue.device.one_shot.update(range(VALVES))
        demand = kind is OutputKind.DEMAND_CONTACT
        coils = [0] if demand else list(range(VALVES))
        self._labels: dict[int, int | str] = {coil: coil + 1 for coil in coils}
        self._labels |= {BLOWER_COIL: "blower"} | ({0: "demand"} if demand else {})
        at: dict[str, Any] = {name: n for n, name in enumerate(CONTACTS)}
        buses = {"hall": bus}
        self.inputs: FieldInputs | FakeField = FieldInputs(
            buses, analog(0, "float32"), None, contacts(**at)
        )
        self.outputs: Outputs = CoilOutputs(buses, outputs(kind.value, coils), blower(BLOWER_COIL))

    def set_dp(self, *words: int) -> None:
        self._rogue.device.inputs.update(enumerate(words))

    def set_contacts(self, **states: bool) -> None:
        for name, state in states.items():
            self._rogue.device.discrete[CONTACTS.index(name)] = state

    def silence(self, silent: bool) -> None:
        self._rogue.tamper = lambda request, reply: None if silent else reply
        self._clock.mono_s += 60.0

    def stick(self, output: int | str) -> None:
        self._rogue.device.stuck_on.add(self._coil(output))

    def switch_on(self, output: int | str) -> None:
        self._rogue.device.coils[self._coil(output)] = True

    def on(self) -> set[int | str]:
        coils = self._rogue.device.coils
        return {label for coil, label in self._labels.items() if coils[coil]}

    def fired(self) -> list[int]:
        writes = self._rogue.device.coil_writes
        return [coil + 1 for coil, on in writes if on and coil < VALVES]

    def _coil(self, output: int | str) -> int:
        return next(coil for coil, label in self._labels.items() if label == output)
