"""What can happen to a simulated collector, as a scenario file writes it down.

Every event has `at_s`, scenario seconds from the start, and `kind`; the rest depends on the kind.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, model_validator

from dustcake_sim.instruments import TransmitterFault
from dustcake_sim.sensing import SensingLine


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class _Event(_Strict):
    at_s: Annotated[float, Field(ge=0.0)]


Row = Annotated[int, Field(ge=1, le=16)]


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
    """The media blinds: residual drag grows on every row, or on `row` (from 1) alone, evenly over
    `over_s`."""

    kind: Literal["filters_worn"] = "filters_worn"
    added_drag_pa_s_m: Annotated[float, Field(gt=0.0)]
    over_s: Annotated[float, Field(ge=0.0)] = 0.0
    row: Row | None = None


class RowCleaning(_Event):
    """A pulse takes `share` of the usual off `row` (from 1): its nozzle is blocked, or its blow
    pipe has come loose, though valve and header do as ever. 1 is as built."""

    kind: Literal["row_cleaning"] = "row_cleaning"
    row: Row
    share: Annotated[float, Field(ge=0.0, le=1.0)]


class FiltersChanged(_Event):
    """A new set of filters in every row; wear under way ends with the old set."""

    kind: Literal["filters_changed"] = "filters_changed"


class ContactSwitched(_Event):
    """A contact of the site opens or closes."""

    kind: Literal["contact"] = "contact"
    contact: Literal["smoke", "door_open", "process_equipment", "drum_full"]
    closed: bool


class HeaderSupply(_Event):
    """The air supply to the header changes; `blow_down` empties the header to it at once.

    `compressor_kg_s`: the most it delivers from now on; `leak_m3_s_pa`: conductance of leaks;
    `recharge_time_s`: time constant of the recovery, longer behind a clogged strainer. What is not
    given stays as it was.
    """

    kind: Literal["header_supply"] = "header_supply"
    gauge_pa: Annotated[float | None, Field(ge=0.0, le=1.6e6)] = None
    compressor_kg_s: Annotated[float | None, Field(ge=0.0)] = None
    leak_m3_s_pa: Annotated[float | None, Field(ge=0.0, le=1e-5)] = None
    recharge_time_s: Annotated[float | None, Field(gt=0.0)] = None
    blow_down: bool = False

    @model_validator(mode="after")
    def _says_something(self) -> HeaderSupply:
        others = (self.compressor_kg_s, self.leak_m3_s_pa, self.recharge_time_s)
        if self.gauge_pa is None and (self.blow_down or others == (None, None, None)):
            raise ValueError(
                "give gauge_pa, or without blow_down compressor_kg_s, leak_m3_s_pa or"
                " recharge_time_s"
            )
        return self


class TransmitterFailed(_Event):
    """A transmitter fails, or (`none`) is well again."""

    kind: Literal["transmitter"] = "transmitter"
    transmitter: Literal["dp", "header", "flow"] = "dp"
    fault: TransmitterFault
    current_ma: Annotated[float | None, Field(ge=0.0, le=25.0)] = None

    @model_validator(mode="after")
    def _current_with_current_only(self) -> TransmitterFailed:
        with_current = ("current", "starved", "leaking")
        if (self.fault.value in with_current) != (self.current_ma is not None):
            raise ValueError(
                "give current_ma with fault 'current', 'starved' or 'leaking', and only with them"
            )
        return self


class DampingSet(_Event):
    """A transmitter's damping is set to this time constant from now on: too long, and it is blind
    to what is quick."""

    kind: Literal["damping"] = "damping"
    transmitter: Literal["dp", "header", "flow"] = "dp"
    damping_s: Annotated[float, Field(ge=0.0, le=3600.0)]


class ZeroDrift(_Event):
    """The dP transmitter's zero is off by `offset_pa` from now on."""

    kind: Literal["zero_drift"] = "zero_drift"
    offset_pa: float


class TransmitterAged(_Event):
    """The dP transmitter's zero and span drift from now on, at these rates per day."""

    kind: Literal["ageing"] = "ageing"
    zero_pa_per_day: float = 0.0
    span_per_day: Annotated[float, Field(ge=-0.1, le=0.1)] = 0.0


class SensingLineFault(_Event):
    """The sensing lines are plugged (slowly, with `over_s`), open to the room, swapped, leaking
    (by `share` of their pressure), wet (`column_pa`), or (`clear`) right again."""

    kind: Literal["sensing_line"] = "sensing_line"
    line: SensingLine
    over_s: Annotated[float, Field(ge=0.0)] = 0.0
    share: Annotated[float, Field(ge=0.0, le=1.0)] = 0.0
    column_pa: float = 0.0

    @model_validator(mode="after")
    def _fields_of_its_line(self) -> SensingLineFault:
        for name, lines in (
            ("over_s", (SensingLine.PLUGGED,)),
            ("share", (SensingLine.HIGH_LEAKING, SensingLine.LOW_LEAKING)),
            ("column_pa", (SensingLine.WET,)),
        ):
            if name in self.model_fields_set and self.line not in lines:
                belongs = " or ".join(f"'{line.value}'" for line in lines)
                raise ValueError(f"{name} goes with line {belongs}, and only with that")
        return self


class ValveFault(_Event):
    """A diaphragm valve sticks, or (`none`) works again. Valves are numbered from 1."""

    kind: Literal["valve"] = "valve"
    valve: Row
    fault: Literal["none", "stuck_closed", "stuck_open"]


class FilterTorn(_Event):
    """A filter of `row` (from 1) tears open, or (0) is mended."""

    kind: Literal["filter_torn"] = "filter_torn"
    row: Row
    hole_mm2: Annotated[float, Field(ge=0.0, le=1e6)]


class DrumEmptied(_Event):
    """The dust drum is emptied."""

    kind: Literal["drum_emptied"] = "drum_emptied"


class DamperSet(_Event):
    """The damper is set to this share of its free opening."""

    kind: Literal["damper"] = "damper"
    opening: Annotated[float, Field(ge=0.0, le=1.0)]


class WeatherChanged(_Event):
    """The air drawn in has this temperature and relative humidity from now on."""

    kind: Literal["weather"] = "weather"
    temperature_c: Annotated[float, Field(ge=-40.0, le=200.0)]
    relative_humidity: Annotated[float, Field(ge=0.0, le=1.0)] = 0.0


class DustSticky(_Event):
    """The dust is fine, sticky or moist: it blinds the media `factor` times as fast as dry dust,
    and comes off that much worse."""

    kind: Literal["sticky"] = "sticky"
    factor: Annotated[float, Field(ge=1.0, le=100.0)]


class FieldbusFault(_Event):
    """The device stops answering on the wire, or (`silent = false`) answers again."""

    kind: Literal["fieldbus"] = "fieldbus"
    silent: bool


Event = Annotated[
    BlowerSwitched
    | BlowerTripped
    | DustChanged
    | FiltersWorn
    | RowCleaning
    | FiltersChanged
    | ContactSwitched
    | HeaderSupply
    | TransmitterFailed
    | DampingSet
    | ZeroDrift
    | TransmitterAged
    | SensingLineFault
    | ValveFault
    | FilterTorn
    | DrumEmptied
    | DamperSet
    | WeatherChanged
    | DustSticky
    | FieldbusFault,
    Field(discriminator="kind"),
]

_ADAPTER: TypeAdapter[Event] = TypeAdapter(Event)


def make_event(kind: str, at_s: float, **fields: object) -> Event:
    """An event of this kind, checked like one from a file.

    Raises pydantic.ValidationError (a ValueError) when the fields do not fit the kind.
    """
    return _ADAPTER.validate_python({"kind": kind, "at_s": at_s, **fields})
