"""What a person may answer, and what is said to them when it will not do."""

import pytest

from dustcake.commissioning.procedure import AnswerType, Question, RefusedError, read_fields

QUESTIONS = (
    Question("sure", "All is clear", AnswerType.CONSENT),
    Question("right", "Right so", AnswerType.YES_NO),
    Question("opening", "Opening, %", AnswerType.NUMBER, default="50", low=0, high=100),
    Question("manometer", "Manometer", AnswerType.PRESSURE, required=False),
    Question("note", "Note", AnswerType.TEXT, required=False),
    Question("valve", "Valve", AnswerType.CHOICE, choices=("1", "2")),
)
GOOD: dict[str, object] = {"sure": "yes", "right": "no", "valve": 2}


def test_answers_are_taken_as_their_kind_as_text_or_not() -> None:
    assert read_fields(QUESTIONS, GOOD) == {
        "sure": True,
        "right": False,
        "opening": 50.0,
        "valve": "2",
    }
    more = {**GOOD, "right": True, "opening": "12.5", "manometer": "2 mbar", "valve": 1.0}
    assert read_fields(QUESTIONS, more) == {
        "sure": True,
        "right": True,
        "opening": 12.5,
        "manometer": 200.0,
        "valve": "1",
    }
    assert read_fields(QUESTIONS, {**GOOD, "note": "  at the drum "})["note"] == "at the drum"


@pytest.mark.parametrize(
    ("over", "said"),
    [
        ({"sure": "no"}, "can say yes"),
        ({"sure": ""}, "`sure` is needed"),
        ({"right": 1}, "answer yes or no"),
        ({"opening": "half"}, "a number from 0 to 100"),
        ({"opening": 101}, "a number from 0 to 100"),
        ({"opening": True}, "a number from 0 to 100"),
        ({"opening": "nan"}, "a number from 0 to 100"),
        ({"manometer": "3"}, "it has no unit"),
        ({"note": "   "}, "give a text"),
        ({"note": "a\nb"}, "give a text"),
        ({"note": 3}, "give a text"),
        ({"note": "x" * 201}, "at most 200"),
        ({"valve": 3}, "one of 1, 2"),
        ({"valves": 3}, "is not a field of this action"),
    ],
)
def test_what_will_not_do_is_named(over: dict[str, object], said: str) -> None:
    with pytest.raises(RefusedError, match=said):
        read_fields(QUESTIONS, {**GOOD, **over})
