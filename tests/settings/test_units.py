import math

import pint
import pytest
import scipy.constants
from hypothesis import given
from hypothesis import strategies as st

from dustcake.units import (
    PRESSURE_PATTERN,
    Pressure,
    PressureUnit,
    parse_pressure,
    show,
    show_with_pa,
)

PINT_NAMES = {
    PressureUnit.INH2O: "inch_H2O",
    PressureUnit.PA: "Pa",
    PressureUnit.KPA: "kPa",
    PressureUnit.MBAR: "mbar",
    PressureUnit.MMH2O: "mmH2O",
    PressureUnit.PSI: "psi",
    PressureUnit.BAR: "bar",
}


@pytest.mark.parametrize("unit", PressureUnit)
def test_factors_agree_with_pint(unit: PressureUnit) -> None:
    theirs = pint.UnitRegistry().Quantity(1.0, PINT_NAMES[unit]).to("Pa").magnitude
    assert unit.pa == pytest.approx(theirs, rel=1e-12)


# NIST SP 811 Appendix B, as printed, from a transcription of it (secondary source).
@pytest.mark.parametrize(
    ("unit", "printed_pa"),
    [
        (PressureUnit.INH2O, 2.490889e02),
        (PressureUnit.MMH2O, 9.80665),
        (PressureUnit.PSI, 6.894757e03),
        (PressureUnit.MBAR, 1.0e02),
        (PressureUnit.BAR, 1.0e05),
    ],
)
def test_factors_agree_with_the_printed_table(unit: PressureUnit, printed_pa: float) -> None:
    assert unit.pa == pytest.approx(printed_pa, rel=5e-7)


def test_factors_agree_with_their_definitions() -> None:
    assert PressureUnit.INH2O.pa == pytest.approx(25.4 * scipy.constants.g, rel=1e-15)
    assert PressureUnit.PSI.pa == pytest.approx(scipy.constants.psi, rel=1e-15)


# Computed with pint 0.25 and rounded to two decimals.
@pytest.mark.parametrize(
    ("inches", "pa"),
    [
        (0.5, 124.54),
        (1, 249.09),
        (1.5, 373.63),
        (2, 498.18),
        (3, 747.27),
        (4, 996.36),
        (5, 1245.44),
        (6, 1494.53),
    ],
)
def test_set_point_table(inches: float, pa: float) -> None:
    assert round(Pressure(inches, PressureUnit.INH2O).pa, 2) == pa


def test_unit_to_unit() -> None:
    def ratio(one: PressureUnit, other: PressureUnit) -> float:
        return Pressure(1.0, one).pa / other.pa

    assert ratio(PressureUnit.PSI, PressureUnit.INH2O) == pytest.approx(27.679905, rel=1e-7)
    assert ratio(PressureUnit.MBAR, PressureUnit.INH2O) == pytest.approx(0.40146308, rel=1e-7)
    assert ratio(PressureUnit.KPA, PressureUnit.INH2O) == pytest.approx(4.01463076, rel=1e-8)


@given(st.floats(-1e6, 1e6), st.sampled_from(PressureUnit))
def test_there_and_back(value: float, unit: PressureUnit) -> None:
    assert Pressure(value, unit).pa / unit.pa == pytest.approx(value, rel=1e-12, abs=1e-12)


def test_shown_for_people() -> None:
    assert show(996.35564, PressureUnit.INH2O) == "4.00 inH2O"
    assert show(-0.1, PressureUnit.PA) == "0 Pa"
    assert show_with_pa(996.35564, PressureUnit.INH2O) == "4.00 inH2O (996 Pa)"
    assert show_with_pa(996.35564, PressureUnit.PA) == "996 Pa"


@pytest.mark.parametrize(
    ("text", "pa"),
    [
        ("4.0 inH2O", 996.35564),
        ("4inH2O", 996.35564),
        ("-0.5 inH2O", -124.544455),
        ("750 Pa", 750.0),
        ("1.2 kPa", 1200.0),
        ("10 mbar", 1000.0),
        ("100 mmH2O", 980.665),
        ("1 bar", 100_000.0),
    ],
)
def test_written_pressures(text: str, pa: float) -> None:
    assert parse_pressure(text).pa == pytest.approx(pa, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("4.0", 'no unit: write "4.0 inH2O"'),
        ("", "does not start with a number"),
        ("inH2O", "does not start with a number"),
        ("4,0 inH2O", "decimal sign is a point"),
        ("4.0 inH20", 'write it as "4.0 inH2O"'),
        ("4.0 pa", 'write it as "4.0 Pa"'),
        ("4.0  inH2O", 'write it as "4.0 inH2O"'),
        ("+4 inH2O", 'write it as "4 inH2O"'),
        ("4 atm", "plain decimal number and one of the units"),
        ("1e3 Pa", "plain decimal number"),
        ("٤ Pa", "does not start with a number"),
        ("4 Pa\n", 'write it as "4 Pa"'),
        ("4 inH2O, 5 inH2O", "plain decimal number"),
        (f"{'9' * 400} Pa", "plain decimal number"),
    ],
)
def test_what_is_wrong_with_a_written_pressure(text: str, says: str) -> None:
    with pytest.raises(ValueError) as caught:
        parse_pressure(text)
    assert says in str(caught.value)


@given(st.decimals(-99_999, 99_999, places=3), st.sampled_from(PressureUnit))
def test_what_is_written_is_what_is_read(value: float, unit: PressureUnit) -> None:
    pressure = Pressure(float(value), unit)
    assert parse_pressure(str(pressure)) == pressure


@given(st.one_of(st.text(), st.from_regex(PRESSURE_PATTERN)))
def test_any_text_is_read_or_refused(text: str) -> None:
    refusal = ""
    try:
        pressure = parse_pressure(text)
    except ValueError as error:
        refusal = str(error)
    else:
        assert math.isfinite(pressure.pa)
        assert pressure.unit in text
    assert not refusal or "write it" in refusal or "no unit" in refusal
