"""Who may ask for what: one table for the panel, MQTT and Sparkplug B."""

from enum import StrEnum


class Level(StrEnum):
    """What somebody may do; each level includes those before it."""

    VIEW = "view"  # see everything
    ACKNOWLEDGE = "acknowledge"  # and acknowledge, reset and shelve alarms, write the log book
    ADJUST = "adjust"  # and select modes, change set points, take alarms out, blower, zero

    def includes(self, other: "Level") -> bool:
        """Whether whoever has this level may do what ``other`` is needed for."""
        order = list(Level)
        return order.index(self) >= order.index(other)


# What is not among these is refused to everybody but on the local socket: a new kind of request is
# for nobody until somebody has decided who may make it.
NEEDED: dict[str, Level] = {
    "acknowledge": Level.ACKNOWLEDGE,
    "reset": Level.ACKNOWLEDGE,
    "shelve": Level.ACKNOWLEDGE,
    "unshelve": Level.ACKNOWLEDGE,
    "record": Level.ACKNOWLEDGE,
    "filter_change": Level.ACKNOWLEDGE,
    "mode": Level.ADJUST,
    "zero": Level.ADJUST,
    "blower": Level.ADJUST,
    "pulse": Level.ADJUST,
    "commission": Level.ADJUST,  # which only panel and local socket have
    "out_of_service": Level.ADJUST,
    "in_service": Level.ADJUST,
    "set_points": Level.ADJUST,
    "confirm": Level.ADJUST,
}
"""The level each kind of request needs."""


def may(level: Level, request: str) -> bool:
    """Whether somebody of ``level`` may ask for a request of this kind."""
    needed = NEEDED.get(request)
    return needed is not None and level.includes(needed)
