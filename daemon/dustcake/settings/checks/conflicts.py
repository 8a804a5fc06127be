"""Rules between collectors: no name, register or coil may be claimed twice."""

from collections.abc import Iterator

from dustcake.settings.buses import CoilOutput
from dustcake.settings.checks.points import analog_points, points_of
from dustcake.settings.checks.ref import ref
from dustcake.settings.errors import Labels, Problem
from dustcake.settings.model import Settings


def conflict_problems(settings: Settings, labels: Labels) -> Iterator[Problem]:
    """Collectors of the same name, and points that lie on one another."""
    yield from _names(settings, labels)
    yield from _registers(settings, labels)
    yield from _coils(settings, labels)
    yield from _one_shot_registers(settings, labels)


def _names(settings: Settings, labels: Labels) -> Iterator[Problem]:
    taken: set[str] = set()
    for index, collector in enumerate(settings.collectors):
        folded = collector.name.lower()
        if folded in taken:
            path = f"collector[{labels.of('collector', index)}]"
            remedy = "give each collector a name of its own, not differing in capitals only"
            name = ref(collector, path, "name")
            yield name.problem("a name no other collector has", remedy)
        taken.add(folded)


def _registers(settings: Settings, labels: Labels) -> Iterator[Problem]:
    taken: dict[tuple[str, int, str, int], str] = {}
    for point in analog_points(settings, labels):
        analog = point.analog
        if analog is None:
            continue
        register = ref(analog, point.path, "register_address")
        first = analog.register_address
        words = [
            (point.bus, point.unit, str(analog.table), first + offset)
            for offset in range(analog.word_count)
        ]
        other = next((taken[word] for word in words if word in taken), None)
        if other is not None:
            remedy = f"correct register, unit or bus here or at {other}"
            yield Problem(register.path, register.value, f"not those of {other}", remedy, (other,))
        for word in words:
            taken.setdefault(word, point.path)


def _coils(settings: Settings, labels: Labels) -> Iterator[Problem]:
    taken: dict[tuple[str, int, int], str] = {}
    for point in points_of(settings, labels):
        for coil in point.coils:
            other = taken.setdefault((point.bus, point.unit, coil), point.path)
            is_first = other == point.path and point.coils.count(coil) == 1
            if is_first:
                continue
            name = "coil" if isinstance(point.section, CoilOutput) else "coils"
            if other == point.path:
                allowed, remedy = "each coil once", "give each valve a coil of its own"
            else:
                allowed = f"not coil {coil}, which {other} drives"
                remedy = f"correct coil, unit or bus here or at {other}"
            written = ref(point.section, point.path, name)
            yield Problem(written.path, written.value, allowed, remedy, (other,))
            break


def _one_shot_registers(settings: Settings, labels: Labels) -> Iterator[Problem]:
    taken: dict[tuple[str, int, int], tuple[float, str]] = {}
    for index, collector in enumerate(settings.collectors):
        outputs = collector.outputs
        if outputs.one_shot_register is None:
            continue
        path = f"collector[{labels.of('collector', index)}]"
        key = (outputs.bus, outputs.unit, outputs.one_shot_register)
        on_time_s, other = taken.setdefault(key, (collector.pulsing.on_time_s, path))
        if on_time_s != collector.pulsing.on_time_s:
            on_time = ref(collector.pulsing, f"{path}.pulsing", "on_time_s")
            allowed = f"{on_time_s}, as {other} has: both set it in one register of one module"
            remedy = "use the same on-time for both, or an output module for each"
            yield Problem(on_time.path, on_time.value, allowed, remedy, (other,))
