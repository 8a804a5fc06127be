"""What can happen to a simulated collector, as a scenario file writes it down.

Every event has `at_s`, scenario seconds from the start, and `kind`; the rest depends on the kind.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, model_validator

from dustcake_sim.instruments import SensingLine, TransmitterFault


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class _Event(_Strict):
    at_s: Annotated[float, Field(ge=0.0)]


class BlowerSwitched(_Event):
    """The blower is started or stopped by hand, where the scenario's blower control is local."""

    kind: Literal["blower"] = "blower"
    running: bool


class BlowerTripped(_Event):
    """The motor starter trips, or is reset: while tripped no request starts the blower."""

    kind: Literal["blower_trip"] = "blower_trip"
    tripped: bool


class DustChanged(_Event):
    """The dust load becomes `factor` times what the load profile says."""

    kind: Literal["dust"] = "dust"
    factor: Annotated[float, Field(ge=0.0)]


class FiltersWorn(_Event):
    """The media blinds: residual drag grows on every row, evenly over `over_s`."""

    kind: Literal["filters_worn"] = "filters_worn"
    added_drag_pa_s_m: Annotated[float, Field(gt=0.0)]
    over_s: Annotated[float, Field(ge=0.0)] = 0.0


class FiltersChanged(_Event):
    """A new set of filters in every row; wear under way ends with the old set."""

    kind: Literal["filters_changed"] = "filters_changed"


class ContactSwitched(_Event):
    """A contact of the site opens or closes."""

    kind: Literal["contact"] = "contact"
    contact: Literal["smoke", "door_open", "process_equipment"]
    closed: bool


class HeaderSupply(_Event):
    """The air supply to the header changes; `blow_down` empties the header to it at once."""

    kind: Literal["header_supply"] = "header_supply"
    gauge_pa: Annotated[float, Field(ge=0.0, le=1.6e6)]
    blow_down: bool = False


class TransmitterFailed(_Event):
    """A transmitter fails, or (`none`) is well again."""

    kind: Literal["transmitter"] = "transmitter"
    transmitter: Literal["dp", "header", "flow"] = "dp"
    fault: TransmitterFault
    current_ma: Annotated[float | None, Field(ge=0.0, le=25.0)] = None

    @model_validator(mode="after")
    def _current_with_current_only(self) -> TransmitterFailed:
        if (self.fault is TransmitterFault.CURRENT) != (self.current_ma is not None):
            raise ValueError("give current_ma with fault 'current', and only with it")
        return self


class ZeroDrift(_Event):
    """The dP transmitter's zero is off by `offset_pa` from now on."""

    kind: Literal["zero_drift"] = "zero_drift"
    offset_pa: float


class SensingLineFault(_Event):
    """The sensing lines are plugged, open to the room, swapped, or (`clear`) right again."""

    kind: Literal["sensing_line"] = "sensing_line"
    line: SensingLine


class ValveFault(_Event):
    """A diaphragm valve sticks, or (`none`) works again. Valves are numbered from 1."""

    kind: Literal["valve"] = "valve"
    valve: Annotated[int, Field(ge=1, le=16)]
    fault: Literal["none", "stuck_closed", "stuck_open"]


class FieldbusFault(_Event):
    """The device stops answering on the wire, or (`silent = false`) answers again."""

    kind: Literal["fieldbus"] = "fieldbus"
    silent: bool


Event = Annotated[
    BlowerSwitched
    | BlowerTripped
    | DustChanged
    | FiltersWorn
    | FiltersChanged
    | ContactSwitched
    | HeaderSupply
    | TransmitterFailed
    | ZeroDrift
    | SensingLineFault
    | ValveFault
    | FieldbusFault,
    Field(discriminator="kind"),
]

_ADAPTER: TypeAdapter[Event] = TypeAdapter(Event)


def make_event(kind: str, at_s: float, **fields: object) -> Event:
    """An event of this kind, checked like one from a file.

    Raises pydantic.ValidationError (a ValueError) when the fields do not fit the kind.
    """
    return _ADAPTER.validate_python({"kind": kind, "at_s": at_s, **fields})
