"""The inputs of one collector: dP, header pressure and contacts, wherever they are wired."""

from collections import defaultdict
from collections.abc import Iterable, Mapping

from dustcake.adapters.modbus.bus import Backoff, Bus
from dustcake.adapters.modbus.messages import Answer, Read, joined
from dustcake.core.inputs import Contacts, FailureKind, ReadFailure, Registers, Signal
from dustcake.core.record import record, replace
from dustcake.ports import FieldReading
from dustcake.settings import buses as field


@record
class _Point:
    name: str
    bus: str
    request: Read
    """What reads it alone."""

    @property
    def addresses(self) -> range:
        return range(self.request.address, self.request.address + self.request.count)


@record
class _Block:
    """Points of one table of one unit that are read in one request."""

    bus: str
    request: Read
    points: tuple[_Point, ...]


class FieldInputs:
    """They are read over the buses they are on."""

    def __init__(
        self,
        buses: Mapping[str, Bus],
        dp: field.AnalogInput,
        header: field.AnalogInput | None,
        contacts: field.Contacts,
    ) -> None:
        self._buses = buses
        self._header_fitted = header is not None
        self._contacts: dict[str, field.ContactInput] = {
            name: contact for name, contact in contacts if contact is not None
        }
        points = [
            _Point(name, at.bus, Read(at.unit, at.table, at.register_address, at.word_count))
            for name, at in (("dp", dp), ("header", header))
            if at is not None
        ]
        points += [
            _Point(name, at.bus, Read(at.unit, at.table, at.address, 1))
            for name, at in self._contacts.items()
        ]
        self._plan = _planned(points)
        self._resting: defaultdict[tuple[str, int], Backoff] = defaultdict(Backoff)

    async def read(self) -> FieldReading:
        """One round over all inputs, one after another.

        A unit that did not answer is left alone for a while (backing off to ten seconds), so
        that waiting for it does not eat the time of the others; its inputs fail at once then.
        """
        got: dict[str, Answer | ReadFailure] = {}
        for block in list(self._plan):
            got |= await self._read_block(block)
        return FieldReading(
            dp=_signal(got["dp"]),
            header=_signal(got["header"]) if self._header_fitted else None,
            contacts=Contacts(**{name: self._contact(name, got[name]) for name in self._contacts}),
        )

    async def _read_block(self, block: _Block) -> dict[str, Answer | ReadFailure]:
        bus, unit = self._buses[block.bus], block.request.unit
        rest = self._resting[block.bus, unit]
        wait_s = rest.remaining_s(bus.clock.now().mono_s)
        answer: Answer | ReadFailure
        if wait_s > 0:
            why = f"bus {block.bus}, unit {unit}: did not reply before; next try in {wait_s:.2g} s"
            answer = ReadFailure(FailureKind.TIMEOUT, why)
        else:
            answer = await bus.read(block.request)
            if not isinstance(answer, ReadFailure):
                rest.succeeded()
                return {point.name: _part(block, point, answer) for point in block.points}
            if answer.kind is FailureKind.TIMEOUT:
                rest.failed(bus.clock.now().mono_s)
            if answer.kind is FailureKind.EXCEPTION and len(block.points) > 1:
                return await self._split(block)
        return {point.name: answer for point in block.points}

    async def _split(self, block: _Block) -> dict[str, Answer | ReadFailure]:
        """The device does not let these be read together: read one by one from now on."""
        singles = [_Block(point.bus, point.request, (point,)) for point in block.points]
        at = self._plan.index(block)
        self._plan[at : at + 1] = singles
        got: dict[str, Answer | ReadFailure] = {}
        for single in singles:
            got |= await self._read_block(single)
        return got

    def _contact(self, name: str, answer: Answer | ReadFailure) -> bool | None:
        if isinstance(answer, ReadFailure):
            return None
        return bool(answer[0]) is not self._contacts[name].invert


def _signal(answer: Answer | ReadFailure) -> Signal:
    return answer if isinstance(answer, ReadFailure) else Registers(answer)


def _planned(points: Iterable[_Point]) -> list[_Block]:
    """One block for each analog input, and contacts of one table together where they are near."""
    groups: defaultdict[tuple[object, ...], list[_Point]] = defaultdict(list)
    for point in points:
        alone = point.name if isinstance(point.request.table, field.WordTable) else ""
        groups[point.bus, point.request.unit, point.request.table, alone].append(point)
    return [
        _block([point for point in group if point.request.address in span], span)
        for group in groups.values()
        for span in joined(point.addresses for point in group)
    ]


def _block(points: list[_Point], span: range) -> _Block:
    first = points[0]
    request = replace(first.request, address=span.start, count=len(span))
    return _Block(first.bus, request, tuple(points))


def _part(block: _Block, point: _Point, answer: Answer) -> Answer:
    start = point.request.address - block.request.address
    return answer[start : start + point.request.count]
