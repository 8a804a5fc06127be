"""What the core wants done to the outputs, after the intent has been committed."""

from dustcake.core.record import record


@record
class FireValve:
    """One pulse: energise ``valve`` (1-based) for ``on_time_s``, then verify that it is off."""

    command_id: int
    valve: int
    on_time_s: float


@record
class SetDemand:
    """Close or open the demand contact of a sequencer board."""

    command_id: int
    closed: bool


@record
class AllValvesOff:
    """De-energise every valve (or open the demand contact) and verify it."""

    command_id: int


@record
class SetBlowerRun:
    """Set or withdraw the blower run request."""

    command_id: int
    run: bool


Command = FireValve | SetDemand | AllValvesOff | SetBlowerRun
