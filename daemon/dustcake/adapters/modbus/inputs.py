"""The inputs of one collector: dP, header pressure and contacts, wherever they are wired."""

from collections import defaultdict
from collections.abc import Iterable, Mapping

from dustcake.adapters.modbus.bus import Bus
from dustcake.adapters.modbus.channel import Backoff
from dustcake.adapters.modbus.messages import Answer, Read, Span, joined
from dustcake.core.inputs import Contacts, FailureKind, ReadFailure, Registers, Signal
from dustcake.core.record import record
from dustcake.ports import FieldReading
from dustcake.settings import buses as field

_Table = field.WordTable | field.BitTable


@record
class _Point:
    name: str
    bus: str
    unit: int
    table: _Table
    span: Span


@record
class _Block:
    """Points of one table of one unit that are read in one request."""

    bus: str
    request: Read
    points: tuple[_Point, ...]


class FieldInputs:
    """Implements the port Transmitter over the buses the inputs are on."""

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
        points = [_analog_point("dp", dp)]
        if header is not None:
            points.append(_analog_point("header", header))
        points += [
            _Point(name, contact.bus, contact.unit, contact.table, Span(contact.address, 1))
            for name, contact in self._contacts.items()
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
        bus = self._buses[block.bus]
        rest = self._resting[block.bus, block.request.unit]
        wait_s = rest.remaining_s(bus.clock.now().mono_s)
        if wait_s > 0:
            failure = ReadFailure(
                FailureKind.TIMEOUT,
                f"bus {block.bus}, unit {block.request.unit}: did not reply before; "
                f"next try in {wait_s:.2g} s",
            )
            return {point.name: failure for point in block.points}
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
        singles = [_block((point,)) for point in block.points]
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


def _analog_point(name: str, analog: field.AnalogInput) -> _Point:
    span = Span(analog.register_address, analog.word_count)
    return _Point(name, analog.bus, analog.unit, analog.table, span)


def _signal(answer: Answer | ReadFailure) -> Signal:
    return answer if isinstance(answer, ReadFailure) else Registers(answer)


def _planned(points: Iterable[_Point]) -> list[_Block]:
    """One block for each analog input, and contacts of one table together where they are near."""
    alone: list[_Block] = []
    grouped: defaultdict[tuple[str, int, _Table], list[_Point]] = defaultdict(list)
    for point in points:
        if isinstance(point.table, field.WordTable):
            alone.append(_block((point,)))
        else:
            grouped[point.bus, point.unit, point.table].append(point)
    together = [
        _block(tuple(point for point in group if _within(point.span, span)))
        for group in grouped.values()
        for span in joined(point.span for point in group)
    ]
    return alone + together


def _block(points: tuple[_Point, ...]) -> _Block:
    first = points[0]
    start = min(point.span.address for point in points)
    end = max(point.span.address + point.span.count for point in points)
    return _Block(first.bus, Read(first.unit, first.table, start, end - start), points)


def _within(part: Span, whole: Span) -> bool:
    return whole.address <= part.address < whole.address + whole.count


def _part(block: _Block, point: _Point, answer: Answer) -> Answer:
    start = point.span.address - block.request.address
    return answer[start : start + point.span.count]
