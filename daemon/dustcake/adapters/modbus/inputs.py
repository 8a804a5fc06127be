"""The inputs of one collector: dP, header pressure and contacts, wherever they are wired."""

from collections import defaultdict
from collections.abc import Iterable, Mapping

from dustcake.adapters.modbus.bus import Backoff, Bus
from dustcake.adapters.modbus.messages import Read, Values, joined
from dustcake.core.inputs import Contacts, FailureKind, ReadFailure, Registers, Signal
from dustcake.core.record import record, replace
from dustcake.ports import FieldReading
from dustcake.settings import buses as field


@record
class _Point:
    """``request`` reads it alone. Points of one table of one unit may be read together."""

    name: str
    bus: str
    request: Read

    @property
    def addresses(self) -> range:
        return range(self.request.address, self.request.address + self.request.count)


class FieldInputs:
    """All inputs of one collector, each read over the bus it is on."""

    def __init__(
        self,
        buses: Mapping[str, Bus],
        dp: field.AnalogInput,
        header: field.AnalogInput | None,
        contacts: field.Contacts,
    ) -> None:
        self._buses = buses
        self._contacts: dict[str, field.ContactInput] = {
            name: contact for name, contact in contacts if contact is not None
        }
        self._plan = [
            [_Point(name, at.bus, Read(at.unit, at.table, at.register_address, at.word_count))]
            for name, at in (("dp", dp), ("header", header))
            if at is not None
        ]
        self._plan += _near_ones(
            _Point(name, at.bus, Read(at.unit, at.table, at.address, 1))
            for name, at in self._contacts.items()
        )
        self._resting: defaultdict[tuple[str, int], Backoff] = defaultdict(Backoff)

    async def read(self) -> FieldReading:
        """One round over all inputs, one after another.

        A unit that did not answer is left alone for a while (backing off to ten seconds), so
        that waiting for it does not eat the time of the others; its inputs fail at once then.
        """
        got: dict[str, Values | ReadFailure] = {}
        for points in list(self._plan):
            got |= await self._read_together(points)
        return FieldReading(
            dp=_signal(got["dp"]),
            header=_signal(got["header"]) if "header" in got else None,
            contacts=Contacts(**{name: self._contact(name, got[name]) for name in self._contacts}),
        )

    async def _read_together(self, points: list[_Point]) -> dict[str, Values | ReadFailure]:
        first, last = points[0].request, points[-1]
        request = replace(first, count=last.addresses.stop - first.address)
        answer = await self._answer(self._buses[last.bus], request)
        if not isinstance(answer, ReadFailure):
            return {point.name: _part(first.address, point, answer) for point in points}
        if answer.kind is FailureKind.EXCEPTION and len(points) > 1:
            return await self._split(points)
        return {point.name: answer for point in points}

    async def _answer(self, bus: Bus, request: Read) -> Values | ReadFailure:
        rest = self._resting[bus.name, request.unit]
        wait_s = rest.remaining_s(bus.clock.now().mono_s)
        if wait_s > 0:
            why = f"did not reply before; next try in {wait_s:.2g} s"
            return ReadFailure(FailureKind.TIMEOUT, f"bus {bus.name}, unit {request.unit}: {why}")
        answer = await bus.read(request)
        if not isinstance(answer, ReadFailure):
            rest.succeeded()
        elif answer.kind is FailureKind.TIMEOUT:
            rest.failed(bus.clock.now().mono_s)
        return answer

    async def _split(self, points: list[_Point]) -> dict[str, Values | ReadFailure]:
        """Their values, one by one from now on: the device does not let them be read together."""
        at = self._plan.index(points)
        self._plan[at : at + 1] = [[point] for point in points]
        got: dict[str, Values | ReadFailure] = {}
        for point in points:
            got |= await self._read_together([point])
        return got

    def _contact(self, name: str, answer: Values | ReadFailure) -> bool | None:
        if isinstance(answer, ReadFailure):
            return None
        return bool(answer[0]) is not self._contacts[name].invert


def _signal(answer: Values | ReadFailure) -> Signal:
    return answer if isinstance(answer, ReadFailure) else Registers(answer)


def _near_ones(points: Iterable[_Point]) -> list[list[_Point]]:
    """Points of one table together where they are near, in the order of their addresses."""
    tables: defaultdict[tuple[object, ...], list[_Point]] = defaultdict(list)
    for point in sorted(points, key=lambda point: point.request.address):
        tables[point.bus, point.request.unit, point.request.table].append(point)
    return [
        [point for point in table if point.request.address in span]
        for table in tables.values()
        for span in joined(point.addresses for point in table)
    ]


def _part(start: int, point: _Point, answer: Values) -> Values:
    first = point.request.address - start
    return answer[first : first + point.request.count]
