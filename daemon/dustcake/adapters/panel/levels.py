"""Who may do what."""

from enum import StrEnum


class Level(StrEnum):
    """What a user may do; each level includes those before it."""

    VIEW = "view"  # see everything
    ACKNOWLEDGE = "acknowledge"  # and acknowledge alarms, reset latched ones, write the log book
    ADJUST = "adjust"  # and select modes, hide alarms, run the blower, take the zero

    def includes(self, other: "Level") -> bool:
        """Whether whoever has this level may do what ``other`` is needed for."""
        order = list(Level)
        return order.index(self) >= order.index(other)


# What is not among these is refused to everybody: a new kind of request is not for the panel
# until somebody has decided who may make it.
NEEDED: dict[str, Level] = {
    "acknowledge": Level.ACKNOWLEDGE,
    "reset": Level.ACKNOWLEDGE,
    "record": Level.ACKNOWLEDGE,
    "filter_change": Level.ACKNOWLEDGE,
    "mode": Level.ADJUST,
    "zero": Level.ADJUST,
    "blower": Level.ADJUST,
    "pulse": Level.ADJUST,
    "commission": Level.ADJUST,
    "shelve": Level.ADJUST,
    "unshelve": Level.ADJUST,
    "out_of_service": Level.ADJUST,
    "in_service": Level.ADJUST,
}
"""The level each kind of request needs."""
