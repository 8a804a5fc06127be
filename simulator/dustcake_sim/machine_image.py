"""What a simulated collector shows on the wire: the register map, alive."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from dustcake_sim.machine import Machine
from dustcake_sim.modbus_pdu import IllegalAddressError, IllegalValueError, Table
from dustcake_sim.register_map import (
    BLOWER_COIL,
    DEMAND_COIL,
    MEASURED,
    MEASUREMENTS,
    ONE_SHOT_COILS,
    SETTINGS,
    VALVE_COILS,
)


class MachineImage:
    """A device image over a machine.

    `bring_up_to_date` moves the machine to the present and returns its time, s; it is called
    before anything is read or written, so that a value is fresh and a write happens at its time.
    """

    def __init__(self, machine: Machine, bring_up_to_date: Callable[[], float]) -> None:
        self._machine = machine
        self._now_s = bring_up_to_date
        self._settings = {setting.address: setting for setting in SETTINGS}

    def _request(self) -> float:
        now_s = self._now_s()
        self._machine.outputs.request_seen(now_s)
        return now_s

    def read_bits(self, table: Table, address: int, count: int) -> Sequence[bool]:
        """Coils or discrete inputs; raises IllegalAddressError."""
        self._request()
        bits = self._coils() if table is Table.COILS else self._discrete_inputs()
        addresses = range(address, address + count)
        if any(each not in bits for each in addresses):
            raise IllegalAddressError
        return [bits[each] for each in addresses]

    def read_words(self, table: Table, address: int, count: int) -> Sequence[int]:
        """Input or holding registers; raises IllegalAddressError."""
        self._request()
        addresses = range(address, address + count)
        if addresses[0] in MEASUREMENTS and addresses[-1] in MEASUREMENTS:
            return self._measurements(addresses)
        if table is Table.INPUT_REGISTERS or any(each not in self._settings for each in addresses):
            raise IllegalAddressError
        settings = self._machine.outputs.settings
        return [self._settings[each].read(settings) for each in addresses]

    def write_bits(self, address: int, values: Sequence[bool]) -> None:
        """Coils, all in the same instant; raises IllegalAddressError."""
        now_s = self._request()
        wanted = dict(enumerate(values, start=address))
        if any(each not in self._coils() for each in wanted):
            raise IllegalAddressError
        outputs = self._machine.outputs
        valves = range(outputs.valves)
        plain = {v: wanted[VALVE_COILS + v] for v in valves if VALVE_COILS + v in wanted}
        one_shot = {v: wanted[ONE_SHOT_COILS + v] for v in valves if ONE_SHOT_COILS + v in wanted}
        if plain or one_shot:
            outputs.switch_valves(plain, one_shot, now_s)
        if DEMAND_COIL in wanted:
            outputs.switch_demand(wanted[DEMAND_COIL], now_s)
        if BLOWER_COIL in wanted:
            outputs.blower_request = wanted[BLOWER_COIL]

    def write_words(self, address: int, values: Sequence[int]) -> None:
        """Settings of the output module; raises IllegalAddressError or IllegalValueError."""
        self._request()
        wanted = dict(enumerate(values, start=address))
        if any(each not in self._settings for each in wanted):
            raise IllegalAddressError
        if any(word not in self._settings[each].allowed for each, word in wanted.items()):
            raise IllegalValueError
        for each, word in wanted.items():
            self._settings[each].write(self._machine.outputs.settings, word)

    def _coils(self) -> dict[int, bool]:
        outputs = self._machine.outputs
        valves = range(outputs.valves)
        return {
            **{VALVE_COILS + valve: outputs.plain_state(valve) for valve in valves},
            **{ONE_SHOT_COILS + valve: outputs.one_shot_state(valve) for valve in valves},
            DEMAND_COIL: outputs.demand,
            BLOWER_COIL: outputs.blower_request,
        }

    def _discrete_inputs(self) -> dict[int, bool]:
        collector = self._machine.collector
        contacts = collector.contacts
        return {
            0: self._machine.blower_running,
            1: contacts["smoke"],
            2: contacts["door_open"],
            3: contacts["process_equipment"],
            4: collector.drum_full(),
        }

    def _measurements(self, addresses: range) -> Sequence[int]:
        words = dict.fromkeys(addresses, 0)
        for measured in MEASURED:
            last = measured.address + measured.size - 1
            if measured.address in addresses or last in addresses:
                for offset, word in enumerate(measured.words(self._machine)):
                    if measured.address + offset in words:
                        words[measured.address + offset] = word
        return list(words.values())
