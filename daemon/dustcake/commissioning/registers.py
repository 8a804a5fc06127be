"""What the registers that a scan has read may mean: raw and scaled side by side.

Every meaning is put as settings first, so that what is shown is what the daemon would read with
those lines in the file.
"""

from collections.abc import Iterator, Mapping
from typing import Any

from pydantic import ValidationError

from dustcake.core.reading import Quality, interpret
from dustcake.core.record import record
from dustcake.core.setpoints import SignalKind, WordOrder
from dustcake.core.signals import Registers
from dustcake.settings.buses import AnalogInput
from dustcake.settings.setpoints import to_scale
from dustcake.units import Pressure, PressureUnit

NEAR_ZERO = 0.02  # of the span, at rest
MOVED = 0.01  # of the span, when pressure is put on
AGREES = 0.02  # of the span, beside a manometer

_PER_COUNT = (1.0, 0.1, 0.01, 0.001)
_CURRENTS = ((4000, 20000), (400, 2000), (13107, 65535))

Rows = Mapping[str, tuple[int, ...]]
"""Registers in a row, by place: ``unit 1 input 0`` begins at address 0."""


@record
class Candidate:
    """One meaning of one place. ``lines``: the settings that say so; ``pa``: what it reads then,
    ``rest_pa`` before pressure was put on; ``why``: what speaks against it, empty if nothing."""

    lines: dict[str, Any]
    raw: tuple[int, ...]
    pa: float | None
    rest_pa: float | None
    why: str

    @property
    def is_plausible(self) -> bool:
        """Whether nothing speaks against it."""
        return not self.why


def place_of(unit: int, table: str, first: int) -> str:
    """Name of a row of registers."""
    return f"unit {unit} {table} {first}"


def candidates(
    bus: str,
    span: tuple[Pressure, Pressure],
    rows: Rows,
    *,
    rest: Rows | None = None,
    reference_pa: float | None = None,
    at_rest: bool = False,
) -> list[Candidate]:
    """Every meaning of every place, the likeliest first. ``rest``: the same places before pressure
    was put on; ``reference_pa``: what a manometer shows now; ``at_rest``: no pressure should be
    there now."""
    found = [
        _judged(meaning, raw, (rest or {}).get(place), index, reference_pa, at_rest=at_rest)
        for place, row in rows.items()
        for index in range(len(row))
        for meaning, raw in _meanings(bus, span, place, row, index)
    ]
    return sorted(found, key=_likelihood)


def _likelihood(one: Candidate) -> tuple[bool, float]:
    moved_pa = abs(one.pa - one.rest_pa) if one.pa is not None and one.rest_pa is not None else 0.0
    return bool(one.why), -moved_pa


def _meanings(
    bus: str, span: tuple[Pressure, Pressure], place: str, row: tuple[int, ...], index: int
) -> Iterator[tuple[AnalogInput, tuple[int, ...]]]:
    _, unit, table, first = place.split()
    at = {"bus": bus, "unit": int(unit), "table": table, "register": int(first) + index}
    for ends in _spans(span):
        written = [str(end) for end in ends]
        for per_count in _PER_COUNT:
            counts = tuple(round(end.value / per_count) for end in ends)
            meant = _input({**at, "kind": "scaled_integer", "span": written, "counts": counts})
            if meant is not None:
                yield meant, row[index : index + 1]
        if index + 1 < len(row):
            for order in WordOrder:
                meant = _input(
                    {**at, "kind": "float32", "word_order": order.value, "span": written}
                )
                if meant is not None:
                    yield meant, row[index : index + 2]
    for counts in _CURRENTS:
        written = [str(end) for end in span]
        meant = _input({**at, "kind": "current", "span": written, "counts": counts})
        if meant is not None:
            yield meant, row[index : index + 1]


def _spans(span: tuple[Pressure, Pressure]) -> list[tuple[Pressure, Pressure]]:
    """As written, and in pascals where that is something else."""
    if span[0].unit is PressureUnit.PA:
        return [span]
    low, high = (Pressure(round(end.pa, 3), PressureUnit.PA) for end in span)
    return [span, (low, high)]


def _input(fields: dict[str, Any]) -> AnalogInput | None:
    try:
        return AnalogInput.model_validate(fields)
    except ValidationError:
        return None  # counts that no register can hold


def _judged(
    meant: AnalogInput,
    raw: tuple[int, ...],
    row_at_rest: tuple[int, ...] | None,
    index: int,
    reference_pa: float | None,
    *,
    at_rest: bool,
) -> Candidate:
    pa, why = _reading(meant, raw)
    rest_pa = None
    if row_at_rest is not None:
        rest_pa, _ = _reading(meant, row_at_rest[index : index + len(raw)])
    scale = to_scale(meant)
    span_pa = scale.span_high_pa - scale.span_low_pa
    if pa is not None and not why:
        why = _against(pa, rest_pa, reference_pa, span_pa, at_rest=at_rest)
    return Candidate(lines_of(meant), raw, pa, rest_pa, why)


def _reading(meant: AnalogInput, raw: tuple[int, ...]) -> tuple[float | None, str]:
    pa, quality, _ = interpret(Registers(raw), to_scale(meant), 0.0)
    if quality is Quality.GOOD:
        return pa, ""
    if pa is None:
        is_current = meant.kind is SignalKind.CURRENT
        return None, "no loop current" if is_current else "not a number"
    return pa, "beyond the span"


def _against(
    pa: float, rest_pa: float | None, reference_pa: float | None, span_pa: float, *, at_rest: bool
) -> str:
    if at_rest and abs(pa) > NEAR_ZERO * span_pa:
        return "not near zero, with no pressure on it"
    if rest_pa is not None and pa - rest_pa < MOVED * span_pa:
        return "does not rise with the pressure"
    if reference_pa is not None and abs(pa - reference_pa) > AGREES * span_pa:
        return "not what the manometer shows"
    return ""


def lines_of(meant: AnalogInput) -> dict[str, Any]:
    """The table ``[collector.transmitter]`` of the settings that says so."""
    lines: dict[str, Any] = {
        "bus": meant.bus,
        "unit": meant.unit,
        "table": meant.table.value,
        "register": meant.register_address,
        "kind": meant.kind.value,
    }
    if meant.kind is SignalKind.FLOAT32:
        lines["word_order"] = meant.word_order.value
    lines["span"] = [str(end) for end in meant.span]
    if meant.counts is not None:
        lines["counts"] = list(meant.counts)
    return lines
