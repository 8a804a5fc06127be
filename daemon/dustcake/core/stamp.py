"""When an input happened, on both clocks."""

from dustcake.core.record import record


@record
class Stamp:
    """One instant as the shell saw it.

    ``mono_s``: monotonic seconds, for control; its zero means nothing and changes at a restart.
    ``utc_s``: seconds since 1970-01-01 UTC, for records; None while the clock is not known.
    """

    mono_s: float
    utc_s: float | None
