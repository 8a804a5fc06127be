"""An honest Modbus device in memory, one request PDU in, one reply PDU out."""

import struct
from collections import defaultdict


class Device:
    """All addresses exist but those in ``missing``, per table. Coils in ``stuck_on`` ignore off.

    Coils in ``one_shot`` end their pulse by themselves before coils are next read.
    ``no_block_writes``: function 0F is unknown to it. What is written to ``refused_registers`` is
    answered, and forgotten.
    """

    def __init__(self) -> None:
        self.coils: defaultdict[int, bool] = defaultdict(bool)
        self.discrete: defaultdict[int, bool] = defaultdict(bool)
        self.holding: defaultdict[int, int] = defaultdict(int)
        self.inputs: defaultdict[int, int] = defaultdict(int)
        self.missing: set[tuple[int, int]] = set()  # (function that reads it, address)
        self.stuck_on: set[int] = set()
        self.one_shot: set[int] = set()
        self.refused_registers: set[int] = set()
        self.no_block_writes = False
        self.coil_writes: list[tuple[int, bool]] = []
        self.most_on = 0

    def reply(self, pdu: bytes) -> bytes:
        function = pdu[0]
        if function == 15 and self.no_block_writes:
            return bytes([function | 0x80, 1])
        address, quantity = struct.unpack(">HH", pdu[1:5])
        match function:
            case 1 | 2:
                return self._read_bits(function, address, quantity)
            case 3 | 4:
                return self._read_words(function, address, quantity)
            case 5:
                self._switch(address, quantity == 0xFF00)
                return pdu
            case 6:
                if address not in self.refused_registers:
                    self.holding[address] = quantity
                return pdu
            case 15:
                for n in range(quantity):
                    self._switch(address + n, bool(pdu[6 + n // 8] >> n % 8 & 1))
                return pdu[:5]
            case 16:
                words = struct.unpack(f">{quantity}H", pdu[6:])
                self.holding.update(enumerate(words, start=address))
                return pdu[:5]
        return bytes([function | 0x80, 1])

    def _absent(self, function: int, address: int, count: int) -> bool:
        return any((function, at) in self.missing for at in range(address, address + count))

    def _read_bits(self, function: int, address: int, count: int) -> bytes:
        if self._absent(function, address, count):
            return bytes([function | 0x80, 2])
        for coil in self.one_shot - self.stuck_on if function == 1 else ():
            self.coils[coil] = False
        table = self.coils if function == 1 else self.discrete
        packed = bytearray((count + 7) // 8)
        for n in range(count):
            packed[n // 8] |= table[address + n] << n % 8
        return bytes([function, len(packed), *packed])

    def _read_words(self, function: int, address: int, count: int) -> bytes:
        if self._absent(function, address, count):
            return bytes([function | 0x80, 2])
        table = self.holding if function == 3 else self.inputs
        words = [table[address + n] for n in range(count)]
        return bytes([function, 2 * count]) + struct.pack(f">{count}H", *words)

    def _switch(self, coil: int, on: bool) -> None:
        self.coil_writes.append((coil, on))
        self.coils[coil] = on or (coil in self.stuck_on and self.coils[coil])
        self.most_on = max(self.most_on, sum(self.coils.values()))
