"""What is reported of a metric, when a new value is worth a message, and what waits to be sent."""

from collections import deque
from collections.abc import Iterable, Mapping

from dustcake.core.record import record
from dustcake.publish.sparkplug.payload import DataType, QualityCode, Value, metric


@record
class Report:
    """The value of one metric at ``utc_s``.

    ``value`` None: there is none now. ``deadband``: a number that differs by less is not reported.
    ``change_key``: for a text with numbers in it that change all the time, what must change
    instead.
    """

    name: str
    datatype: DataType
    value: Value | None
    utc_s: float
    quality: QualityCode = QualityCode.GOOD
    unit: str | None = None
    deadband: float = 0.0
    change_key: str | None = None

    def differs(self, last: "Report") -> bool:
        """Whether it is worth sending after ``last``."""
        if self.quality is not last.quality or self.change_key != last.change_key:
            return True
        if self.change_key is not None or self.value == last.value:
            return False
        if self.value is None or last.value is None or isinstance(self.value, str | bool):
            return True
        return abs(self.value - float(last.value)) >= self.deadband

    def metric(
        self, alias: int | None, *, in_birth: bool = False, is_historical: bool = False
    ) -> bytes:
        """As a birth has it, with name, type and unit; as data have it, by alias alone."""
        properties: list[tuple[str, DataType, Value]] = [
            ("Quality", DataType.INT32, self.quality.value)
        ]
        if in_birth and self.unit is not None:
            properties.append(("unit", DataType.STRING, self.unit))
        return metric(
            self.datatype,
            self.value,
            name=self.name if in_birth else None,
            alias=alias,
            timestamp_ms=milliseconds(self.utc_s),
            has_type=in_birth,
            is_historical=is_historical,
            properties=properties,
        )


def milliseconds(utc_s: float) -> int:
    """Time as Sparkplug has it: milliseconds since 1970-01-01 UTC."""
    return round(utc_s * 1000)


ALIASES_EACH = 65_536
REBIRTH = "Node Control/Rebirth"  # with aliases in use, this one must have none


@record
class Change:
    """A value that waits. ``is_historical``: a newer one has been sent in a birth since."""

    report: Report
    is_historical: bool = False


class Lost:
    """Marks in the queue that the device was lost here."""


class Source:
    """Values by name, their aliases, and what waits, oldest first, ``capacity`` at most.

    ``number`` sets its aliases apart from those of every other source of the node.
    """

    def __init__(self, number: int, capacity: int) -> None:
        self._first_alias = number * ALIASES_EACH + 1
        self._capacity = capacity
        self._present: dict[str, Report] = {}
        self._reported: dict[str, Report] = {}
        self._aliases: dict[str, int] = {}
        self.waiting: deque[Change | Lost] = deque()
        self.dropped = 0
        self.is_there = False
        self.is_born = False
        """Whether its birth has been published in this session, and no death since."""

    @property
    def names(self) -> Mapping[int, str]:
        """Metric by alias."""
        return {alias: name for name, alias in self._aliases.items()}

    def observe(self, reports: Iterable[Report], *, is_there: bool) -> None:
        """Take in the present values; all of them, each time."""
        was_there, self.is_there = self.is_there, is_there
        self._present = {report.name: report for report in reports}
        changed = [each for each in self._present.values() if self._is_news(each)]
        for report in changed:
            if report.name not in self._reported:
                # What a birth did not name must not be sent: there is another birth.
                self.is_born = False
                self._aliases.setdefault(report.name, self._first_alias + len(self._aliases))
            self._reported[report.name] = report
        # The last values of a device that has just been lost still are news; those of one that
        # is away are not, for a subscriber takes nothing it has said for present.
        if was_there or is_there:
            for report in sorted(changed, key=lambda each: each.utc_s):
                self._wait(Change(report))
        if was_there and not is_there:
            self._wait(Lost())

    def _is_news(self, report: Report) -> bool:
        last = self._reported.get(report.name)
        return last is None or report.differs(last)

    def _wait(self, what: Change | Lost) -> None:
        if len(self.waiting) >= self._capacity:
            self.waiting.popleft()
            self.dropped += 1
        self.waiting.append(what)

    def wait_again(self, reports: Iterable[Report]) -> None:
        """These may not have arrived: they wait once more, before everything else."""
        room = self._capacity - len(self.waiting)
        again = list(reports)
        kept = again[max(0, len(again) - room) :]
        self.dropped += len(again) - len(kept)
        self.waiting.extendleft(Change(report, is_historical=True) for report in reversed(kept))

    def birth(self) -> tuple[list[bytes], list[Report]]:
        """Every metric with its present value, and what waited that they say: it waits no longer,
        while older values do."""
        self.make_past()
        self._reported = dict(self._present)
        waited = [each for each in self.waiting if isinstance(each, Change)]
        self.waiting.clear()
        covered: list[Report] = []
        for each in waited:
            reported = self._reported.get(each.report.name)
            if each.report == reported:
                covered.append(each.report)
            elif reported is not None:
                self.waiting.append(each)
        self.is_born = True
        metrics = [
            report.metric(None if name == REBIRTH else self._aliases[name], in_birth=True)
            for name, report in self._reported.items()
        ]
        return metrics, covered

    def make_past(self) -> None:
        """No birth holds any more, and what waits will be history when it is sent."""
        self.is_born = False
        self.waiting = deque(
            Change(each.report, is_historical=True)
            for each in self.waiting
            if isinstance(each, Change)
        )

    def metric(self, change: Change) -> bytes:
        """``change`` as data have it."""
        alias = self._aliases[change.report.name]
        return change.report.metric(alias, is_historical=change.is_historical)
