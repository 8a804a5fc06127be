"""What people may change by request, and within which limits."""

from typing import Annotated

from pydantic import Field

from dustcake.settings.base import Listed, Section
from dustcake.settings.cleaning import LONGEST_ON_TIME_S, SHORTEST_ON_TIME_S
from dustcake.settings.pressure import PositivePressure

_Interval = Annotated[float, Field(ge=1, le=3600)]
_OnTime = Annotated[float, Field(ge=SHORTEST_ON_TIME_S, le=LONGEST_ON_TIME_S)]


class Requests(Section):
    """Set points that people may change by request, each from the first value to the second. Where
    one is left out, a choice of ours around the value in this file, as far as the other settings
    allow. What has been changed so stays, until this file's own value of it is changed."""

    set_points: bool = True
    """False: set points are changed in this file only."""
    low: Listed[tuple[PositivePressure, PositivePressure]] | None = Field(
        default=None, examples=[["2.5 inH2O", "3.5 inH2O"]]
    )
    """`cleaning.low`. Left out: 25 % less to 25 % more than it is here."""
    high: Listed[tuple[PositivePressure, PositivePressure]] | None = Field(
        default=None, examples=[["3.5 inH2O", "4.5 inH2O"]]
    )
    """`cleaning.high`. Left out: 25 % less to 25 % more than it is here."""
    interval_s: Listed[tuple[_Interval, _Interval]] | None = Field(
        default=None, examples=[[10, 30]]
    )
    """`pulsing.interval_s`. Left out: half to twice what it is here."""
    on_time_s: Listed[tuple[_OnTime, _OnTime]] | None = Field(default=None, examples=[[0.1, 0.2]])
    """`pulsing.on_time_s`. Left out: 25 % less to 25 % more than it is here."""
    confirm_within_s: float = Field(default=60.0, ge=5, le=600)
    """A change acts only when whoever asked for it confirms it within this."""
