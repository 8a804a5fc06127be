"""The output module at the collector: coils, the watchdog, and what they really do.

It knows nothing of the daemon. A one-shot module ends each pulse itself; the others hold a coil
until told, or until nobody has spoken to them for the time of their watchdog.
"""

from collections.abc import Callable
from dataclasses import dataclass
from math import inf

from dustcake.core.setpoints import OutputKind

TOLERANCE_S = 0.3

Coil = int | str


@dataclass
class Energised:
    """One energised coil. ``excused``: for as long as the daemon was dead or the module out of
    reach, only the watchdog bounds it."""

    coil: Coil
    on_s: float
    on_time_s: float
    ends_s: float
    excused: bool = False


class Module:
    """Coils by number, "demand" or "blower". ``is_stuck``: whether coils stay on now."""

    def __init__(
        self,
        now_s: Callable[[], float],
        watchdog_s: float,
        is_stuck: Callable[[], bool],
        object_to: Callable[[str], None],
    ) -> None:
        self.watchdog_s = watchdog_s
        self.longest_excess_s = 0.0
        self.pulses: list[tuple[float, Coil]] = []
        self.blower = False
        self._now_s = now_s
        self._is_stuck = is_stuck
        self._object = object_to
        self._on: dict[Coil, Energised] = {}
        self._spoken_s = 0.0

    def spoken_to(self) -> None:
        """A valid request has come: it feeds the watchdog."""
        self._settle()
        self._spoken_s = self._now_s()

    def on(self) -> dict[Coil, Energised]:
        """What is energised now."""
        self._settle()
        return self._on

    def energise(self, coil: Coil, kind: OutputKind, on_time_s: float) -> None:
        """Switch a coil on; a one-shot module will end it."""
        now_s = self._now_s()
        others = [other for other in self.on() if other != coil]
        if others:
            self._object(f"two valves at once: {coil} with {others}")
        ends_s = now_s + on_time_s if kind is OutputKind.VALVES_ONE_SHOT else inf
        self._on[coil] = Energised(coil, now_s, on_time_s, ends_s)
        self.pulses.append((now_s, coil))

    def switch_off(self, coil: Coil) -> None:
        """Switch one coil off, unless it sticks."""
        self._settle()
        if coil in self._on and not self._stuck():
            self._ended(self._on.pop(coil), self._now_s())

    def excuse(self) -> None:
        """The daemon has died, or cannot reach the module."""
        for one in self.on().values():
            one.excused = True

    def _stuck(self) -> bool:
        if not self._is_stuck():
            return False
        for one in self._on.values():
            one.excused = True
        return True

    def _settle(self) -> None:
        if not self._on or self._stuck():
            return
        dropped_s = self._spoken_s + self.watchdog_s
        for coil, one in list(self._on.items()):
            ends_s = min(one.ends_s, max(dropped_s, one.on_s))
            if ends_s <= self._now_s():
                del self._on[coil]
                self._ended(one, ends_s)

    def _ended(self, one: Energised, at_s: float) -> None:
        if one.coil == "demand":
            return  # the board times the valves; the contact may stay closed for hours
        excess_s = at_s - one.on_s - one.on_time_s
        if not one.excused:
            self.longest_excess_s = max(self.longest_excess_s, excess_s)
            if excess_s > TOLERANCE_S:
                self._object(f"valve {one.coil} on for {excess_s:.2f} s beyond its bound")
