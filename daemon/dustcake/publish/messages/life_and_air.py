"""Schemas of filter life and compressed air in the state."""

from dustcake.core.filter_life.forecast import Outlook
from dustcake.publish.messages.parts import COUNT, TEXT, Schema, fields, one_of, or_null, ref


def filter_life() -> Schema:
    """How long the filters may last: a range, never a date."""
    quantity = ref("quantity")
    return fields(
        {
            "outlook": one_of(Outlook),
            "words": {**TEXT, "description": "the same for people"},
            "remaining_low": quantity,
            "remaining_high": {
                **quantity,
                "description": "blower hours; both null unless `outlook` is `range` or `reached`, "
                "this one alone where the range has no upper end within the horizon",
            },
            "confidence": {"type": "number", "description": "of that range, 0 to 1"},
            "remaining_low_days": quantity,
            "remaining_high_days": quantity,
            "blower_time": {**quantity, "description": "since the filter change, when forecast"},
            "residual": or_null(ref("chosen")),
            "rise": quantity,
            "points": COUNT,
            "points_needed": COUNT,
        },
        "what residual dP says of the filters",
    )


def air() -> Schema:
    """Air of the pulses; null where pulses are not known, as with a sequencer board."""
    quantity, money = ref("quantity"), ref("money")
    amount = fields(
        {
            "free_air": quantity,
            "mass": quantity,
            "energy": quantity,
            "cost": money,
            "measured": {**COUNT, "description": "pulses measured at the header"},
            "rated": {**COUNT, "description": "pulses counted as rated"},
        }
    )
    return or_null(
        fields(
            {
                "source": {"enum": ["header", "rated"]},
                "total": amount,
                "day": amount,
                "day_utc": {"type": ["string", "null"], "format": "date"},
                "hour": amount,
                "last_hour": amount,
                "per_blower_hour": quantity,
                "reference": {**TEXT, "description": "at which free air is stated"},
                "factors": fields({"rated_pulse": quantity, "energy": quantity, "price": money}),
            },
            "compressed air of the pulses",
        )
    )
