"""Logs when something on a bus stops answering, and when it answers again: once each."""

import structlog

from dustcake.adapters.modbus.requests import Answer, Request, place
from dustcake.core.signals import FailureKind, ReadFailure

Scope = tuple[int | str, ...]
"""What a failure is about: the whole bus (), a unit (unit,), or one place in it (unit, place)."""

_WHOLE_BUS = (FailureKind.UNREACHABLE, FailureKind.LOST)

log = structlog.get_logger("dustcake.field")


class Edges:
    """The failures of one bus that have been logged and are not over."""

    def __init__(self, bus: str) -> None:
        self._bus = bus
        self._lost_s: dict[Scope, float] = {}

    def note(self, request: Request, outcome: Answer | ReadFailure, now_s: float) -> None:
        """Take the outcome of ``request`` at monotonic ``now_s`` into account.

        A failure shows that everything wider than itself works: a device that refuses one
        address is there, and a unit that is silent was asked over a bus that is.
        """
        failure = outcome if isinstance(outcome, ReadFailure) else None
        full: Scope = (request.unit, place(request))
        depth = len(full) + 1 if failure is None else _depth(failure.kind)
        for scope in (full[:wider] for wider in range(depth)):
            since_s = self._lost_s.pop(scope, None)
            if since_s is not None:
                after_s = round(now_s - since_s, 3)
                log.info("recovered", bus=self._bus, **_named(scope), after_s=after_s)
        if failure is not None and full[:depth] not in self._lost_s:
            scope = full[:depth]
            self._lost_s[scope] = now_s
            log.warning(
                "lost",
                bus=self._bus,
                **_named(scope),
                kind=failure.kind.value,
                detail=failure.detail,
            )


def _depth(kind: FailureKind) -> int:
    if kind in _WHOLE_BUS:
        return 0
    # A device that refuses or garbles one address may answer at all others.
    return 1 if kind is FailureKind.TIMEOUT else 2


def _named(scope: Scope) -> dict[str, int | str]:
    return dict(zip(("unit", "place"), scope, strict=False))
