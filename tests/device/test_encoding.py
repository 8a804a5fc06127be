"""How values look in registers."""

from __future__ import annotations

import math

import pytest

from dustcake_sim.encoding import WordOrder, current_ua, float_words, scaled_int16


@pytest.mark.parametrize(
    ("order", "words"),
    [
        (WordOrder.ABCD, (0x42F6, 0xE979)),
        (WordOrder.CDAB, (0xE979, 0x42F6)),
        (WordOrder.BADC, (0xF642, 0x79E9)),
        (WordOrder.DCBA, (0x79E9, 0xF642)),
    ],
)
def test_word_orders_of_123_456(order: WordOrder, words: tuple[int, int]) -> None:
    assert float_words(123.456, order) == words


@pytest.mark.parametrize(
    ("value", "words"),
    [
        (3.1415927, (0x4049, 0x0FDB)),
        (249.08891, (0x4379, 0x16C3)),
        (3.5, (0x4060, 0x0000)),
        (math.nan, (0x7FC0, 0x0000)),
        (1e39, (0x7F80, 0x0000)),
        (-1e39, (0xFF80, 0x0000)),
    ],
)
def test_floats(value: float, words: tuple[int, int]) -> None:
    assert float_words(value, WordOrder.ABCD) == words


@pytest.mark.parametrize(
    ("value", "word"),
    [(0.0, 0), (100.0, 1000), (-0.1, 0xFFFF), (9e9, 32_767), (-9e9, 0x8001), (math.nan, 0x8000)],
)
def test_scaled_integers(value: float, word: int) -> None:
    assert scaled_int16(value, 0.1) == word


@pytest.mark.parametrize(
    ("value", "current"),
    [
        (0.0, 4000),
        (3.3, 12_800),
        (6.0, 20_000),
        (-0.075, 3800),
        (-5.0, 3800),
        (6.1875, 20_500),
        (50.0, 20_500),
        (math.nan, 21_600),
    ],
)
def test_loop_current_over_0_to_6(value: float, current: int) -> None:
    assert current_ua(value, 0.0, 6.0) == current


def test_a_forced_current_overrides_the_value() -> None:
    assert current_ua(3.0, 0.0, 6.0, forced_current_ma=0.0) == 0
    assert current_ua(3.0, 0.0, 6.0, forced_current_ma=3.6) == 3600
