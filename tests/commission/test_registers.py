"""What registers may mean: each meaning is what the daemon would read with those lines."""

import struct

import pytest

from dustcake.commissioning.scan import Candidate, candidates, place_of
from dustcake.commissioning.steps.operation import INCH_PA, Media, propose
from dustcake.units import Pressure, PressureUnit

SPAN = (Pressure(0.0, PressureUnit.INH2O), Pressure(10.0, PressureUnit.INH2O))
PLACE = place_of(3, "holding", 100)
ORDERS = {"abcd": (0, 1, 2, 3), "cdab": (2, 3, 0, 1), "badc": (1, 0, 3, 2), "dcba": (3, 2, 1, 0)}


def floating(value: float, order: str) -> tuple[int, ...]:
    raw = struct.pack(">f", value)
    first, second = struct.unpack(">HH", bytes(raw[n] for n in ORDERS[order]))
    return first, second


def found(words: tuple[int, ...], rest: tuple[int, ...], manometer_pa: float) -> list[Candidate]:
    ranked = candidates("line", SPAN, {PLACE: words}, rest={PLACE: rest}, reference_pa=manometer_pa)
    return [one for one in ranked if not one.why]


@pytest.mark.parametrize("order", ORDERS)
@pytest.mark.parametrize("unit", [PressureUnit.INH2O, PressureUnit.PA])
def test_a_float_is_found_in_each_order_and_unit(order: str, unit: PressureUnit) -> None:
    pa = 3.137 * INCH_PA
    value = 3.137 if unit is PressureUnit.INH2O else pa
    best = found(floating(value, order), floating(0.01, order), pa)[0]
    assert best.lines["kind"] == "float32"
    assert best.lines["word_order"] == order
    assert best.lines["span"][0] == f"0 {unit}"
    assert best.pa == pytest.approx(pa, rel=1e-5)
    assert (best.lines["unit"], best.lines["table"], best.lines["register"]) == (3, "holding", 100)


@pytest.mark.parametrize(("word", "rest", "counts"), [(3000, 4, [0, 10000]), (300, 1, [0, 1000])])
def test_a_scaled_integer_is_told_from_ten_times_itself_by_the_manometer(
    word: int, rest: int, counts: list[int]
) -> None:
    (best, *_) = found((word,), (rest,), 3.0 * INCH_PA)
    assert (best.lines["kind"], best.lines["counts"]) == ("scaled_integer", counts)


def test_a_loop_current_is_found_and_a_dead_loop_is_none() -> None:
    (best, *_) = found((8800,), (4001,), 3.0 * INCH_PA)
    assert (best.lines["kind"], best.lines["counts"]) == ("current", [4000, 20000])
    ranked = candidates("line", SPAN, {PLACE: (0,)})
    assert {one.why for one in ranked if one.lines["kind"] == "current"} == {"no loop current"}


def test_what_speaks_against_a_meaning_is_said() -> None:
    def why(words: tuple[int, ...], rest: tuple[int, ...] | None = None, **how: float) -> set[str]:
        earlier = None if rest is None else {PLACE: rest}
        ranked = candidates("line", SPAN, {PLACE: words}, rest=earlier, **how)  # type: ignore[arg-type]
        whys: set[str] = {one.why for one in ranked if one.lines.get("counts") == [0, 10000]}
        return whys

    assert why((3000,), at_rest=True) == {"not near zero, with no pressure on it"}
    assert why((20,), at_rest=True) == {""}
    assert why((3000,), (3000,)) == {"does not rise with the pressure"}
    assert why((3000,), (9000,)) == {"does not rise with the pressure"}
    assert why((3000,), (0,), reference_pa=INCH_PA) == {"not what the manometer shows"}
    assert why((20000,)) == {"beyond the span"}


def test_neighbours_over_two_rows_are_one_number() -> None:
    words = (0, *floating(3.137, "abcd"), 0)
    best = found(words, (0, 0, 0, 0), 3.137 * INCH_PA)[0]
    assert (best.lines["register"], best.lines["kind"]) == (101, "float32")


def test_set_points_follow_the_rule_they_state() -> None:
    """Clean 1 inH2O and cellulose: low 2.5, high 3.5, replacement 5 (common practice)."""
    proposal = propose(INCH_PA, Media.DEPTH)
    inches = [proposal[name] / INCH_PA for name in ("low_pa", "high_pa", "replacement_pa")]
    assert inches == pytest.approx([2.5, 3.5, 5.0], rel=1e-5)
    assert "low = clean + 1.5 inH2O, high = low + 1 inH2O" in proposal["rule"]
    assert "no source" in proposal["rule"]
    assert proposal["cautions"] == []
    surface = propose(INCH_PA, Media.SURFACE)
    assert surface["high_pa"] - surface["low_pa"] == pytest.approx(0.75 * INCH_PA, rel=1e-4)
    assert [text[:4] for text in surface["cautions"]] == ["high"]
    high = propose(4 * INCH_PA, Media.DEPTH)
    assert high["replacement_pa"] == pytest.approx(high["high_pa"] + INCH_PA, rel=1e-4)
    assert len(high["cautions"]) == 3
