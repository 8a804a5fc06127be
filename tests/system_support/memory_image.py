"""A device image that is just memory: for tests of anything that speaks Modbus."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from dustcake_sim.modbus_pdu import IllegalAddressError, Table


class MemoryImage:
    """Bits and registers by address; an address not given does not exist (exception 02)."""

    def __init__(
        self,
        *,
        coils: Mapping[int, bool] | None = None,
        discrete_inputs: Mapping[int, bool] | None = None,
        holding_registers: Mapping[int, int] | None = None,
        input_registers: Mapping[int, int] | None = None,
    ) -> None:
        self.coils = dict(coils or {})
        self.discrete_inputs = dict(discrete_inputs or {})
        self.holding_registers = dict(holding_registers or {})
        self.input_registers = dict(input_registers or {})
        self.writes: list[tuple[Table, int, list[int]]] = []
        """Every write, in order: table, address, values (bits as 0 and 1)."""

    def read_bits(self, table: Table, address: int, count: int) -> Sequence[bool]:
        """`count` bits; raises IllegalAddressError."""
        bits = self.coils if table is Table.COILS else self.discrete_inputs
        return [bits[each] for each in _existing(bits, address, count)]

    def read_words(self, table: Table, address: int, count: int) -> Sequence[int]:
        """`count` registers; raises IllegalAddressError."""
        holding = table is Table.HOLDING_REGISTERS
        words = self.holding_registers if holding else self.input_registers
        return [words[each] for each in _existing(words, address, count)]

    def write_bits(self, address: int, values: Sequence[bool]) -> None:
        """Write coils; raises IllegalAddressError."""
        self.coils.update(zip(_existing(self.coils, address, len(values)), values, strict=True))
        self.writes.append((Table.COILS, address, [int(value) for value in values]))

    def write_words(self, address: int, values: Sequence[int]) -> None:
        """Write holding registers; raises IllegalAddressError."""
        addresses = _existing(self.holding_registers, address, len(values))
        self.holding_registers.update(zip(addresses, values, strict=True))
        self.writes.append((Table.HOLDING_REGISTERS, address, list(values)))


def _existing(cells: Mapping[int, object], address: int, count: int) -> range:
    addresses = range(address, address + count)
    if any(each not in cells for each in addresses):
        raise IllegalAddressError
    return addresses
