"""A scenario file: a collector, its instruments, its dust load and what happens to it.

TOML, strict: an unknown key, a wrong type or a value out of range is refused with the setting, the
value and the remedy. All in SI, with units in the names; the dust load is in g/m3 as is usual.
"""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from importlib import resources
from importlib.resources.abc import Traversable
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from dustcake_sim.events import Event
from dustcake_sim.instruments import TransmitterSpec
from dustcake_sim.plant.blower import Blower
from dustcake_sim.plant.fan import Duct, Fan
from dustcake_sim.plant.header import Header
from dustcake_sim.plant.media import Media
from dustcake_sim.plant.state import Plant, State, new_state

Positive = Annotated[float, Field(gt=0.0)]
NotNegative = Annotated[float, Field(ge=0.0)]
Share = Annotated[float, Field(ge=0.0, le=1.0)]


class ScenarioError(Exception):
    """A scenario that cannot be used; the text says where, what value, and what to do."""


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class MediaTable(_Table):
    """`[plant.media]`: the filter media and its cake."""

    residual_drag_pa_s_m: Positive
    cake_resistance_per_s: Positive
    removed_per_pulse: Share
    reference_gauge_pa: Positive


class FanTable(_Table):
    """`[plant.fan]`: fan curve p0 - k_f Q^2, and the duct's R_s Q^2."""

    shutoff_pa: Positive
    curve_pa_s2_m6: NotNegative
    duct_pa_s2_m6: NotNegative


class BlowerTable(_Table):
    """`[plant.blower]`: time constants of spin-up and spin-down."""

    spin_up_s: NotNegative
    spin_down_s: NotNegative


class HeaderTable(_Table):
    """`[plant.header]`: tank, regulator, valves."""

    volume_m3: Positive
    supply_gauge_pa: Annotated[float, Field(gt=0.0, le=1.6e6)]
    recharge_time_s: Positive
    conductance_m3_s_pa: Positive
    critical_ratio: Annotated[float, Field(ge=0.0, lt=1.0)]
    opening_delay_s: NotNegative


class PlantTable(_Table):
    """`[plant]`: the collector."""

    rows: Annotated[int, Field(ge=1, le=16)]
    row_area_m2: Positive
    media: MediaTable
    fan: FanTable
    blower: BlowerTable
    header: HeaderTable


class TransmitterTable(_Table):
    """`[transmitters.*]`: one transmitter, in the unit of what it measures (Pa or m3/s)."""

    span_low: float
    span_high: float
    damping_s: NotNegative
    noise: NotNegative
    resolution: NotNegative

    @model_validator(mode="after")
    def _span(self) -> TransmitterTable:
        if self.span_high <= self.span_low:
            raise ValueError("make span_high larger than span_low")
        return self


class TransmittersTable(_Table):
    """`[transmitters]`: dP and header pressure in Pa, flow in m3/s."""

    dp: TransmitterTable
    header: TransmitterTable
    flow: TransmitterTable


class LoadStep(_Table):
    """One `[[load]]`: from `at_s` on, this much dust in the air."""

    at_s: NotNegative
    dust_g_m3: NotNegative


class StartTable(_Table):
    """`[start]`: how the collector stands when the scenario begins."""

    blower_running: bool
    process_equipment: bool
    cake_kg_m2: NotNegative


class Scenario(_Table):
    """A whole scenario file."""

    title: str
    blower_control: Literal["local", "remote"]
    """Who runs the blower: the scenario's events, or the coil on the fieldbus."""
    load_repeat_s: Positive | None = None
    """Length after which the load profile starts over."""
    plant: PlantTable
    transmitters: TransmittersTable
    start: StartTable
    load: tuple[LoadStep, ...] = Field(min_length=1)
    event: tuple[Event, ...] = ()

    @model_validator(mode="after")
    def _consistent(self) -> Scenario:
        _require_order("load", [step.at_s for step in self.load])
        _require_order("event", [event.at_s for event in self.event])
        if self.load[0].at_s != 0.0:
            raise ValueError("start the first [[load]] at at_s = 0")
        if self.load_repeat_s is not None and self.load[-1].at_s >= self.load_repeat_s:
            raise ValueError("make load_repeat_s larger than the last at_s of [[load]]")
        for number, event in enumerate(self.event):
            if event.kind == "valve" and event.valve > self.plant.rows:
                raise ValueError(
                    f"event.{number}.valve is {event.valve}: choose 1 to {self.plant.rows},"
                    " the number of rows"
                )
            if event.kind == "blower" and self.blower_control == "remote":
                raise ValueError(
                    f"event.{number} switches the blower by hand: set blower_control to 'local',"
                    " or remove the event"
                )
        return self

    def dust_kg_m3(self, scenario_s: float) -> float:
        """Dust in the air by the load profile at this time, kg/m3."""
        profile_s = scenario_s % self.load_repeat_s if self.load_repeat_s else scenario_s
        now = [step for step in self.load if step.at_s <= profile_s]
        return now[-1].dust_g_m3 / 1000.0


def _require_order(name: str, times_s: Sequence[float]) -> None:
    for number, (first_s, second_s) in enumerate(pairwise(times_s), start=1):
        if second_s < first_s:
            raise ValueError(
                f"{name}.{number}.at_s is {second_s:g}, before the one above it: "
                f"put the [[{name}]] tables in order of time"
            )


def build_plant(scenario: Scenario) -> Plant:
    """The scenario's collector."""
    table = scenario.plant
    header = table.header.model_dump(exclude={"supply_gauge_pa"})
    return Plant(
        rows=table.rows,
        row_area_m2=table.row_area_m2,
        media=Media(**table.media.model_dump()),
        fan=Fan(table.fan.shutoff_pa, table.fan.curve_pa_s2_m6),
        duct=Duct(table.fan.duct_pa_s2_m6),
        blower=Blower(**table.blower.model_dump()),
        header=Header(**header),
    )


def build_start(scenario: Scenario, plant: Plant) -> State:
    """The collector's state when the scenario begins: header full, blower at speed or at rest."""
    return new_state(
        plant,
        cake_kg_m2=scenario.start.cake_kg_m2,
        header_gauge_pa=scenario.plant.header.supply_gauge_pa,
        blower_speed=1.0 if scenario.start.blower_running else 0.0,
    )


def build_transmitter(table: TransmitterTable) -> TransmitterSpec:
    """One of the scenario's transmitters."""
    return TransmitterSpec(**table.model_dump())


def packaged_scenarios() -> dict[str, Traversable]:
    """The scenarios that come with the simulator, by name."""
    folder = resources.files("dustcake_sim") / "scenarios"
    found = (entry for entry in folder.iterdir() if entry.name.endswith(".toml"))
    return {entry.name.removesuffix(".toml"): entry for entry in sorted(found, key=str)}


def load_scenario(name_or_path: str | Path) -> Scenario:
    """Read a scenario: the name of a packaged one, or a path.

    Raises ScenarioError when it cannot be read or is not right.
    """
    packaged = packaged_scenarios()
    source: Traversable = packaged.get(str(name_or_path)) or Path(name_or_path)
    try:
        document = tomllib.loads(source.read_text(encoding="utf-8"))
    except FileNotFoundError:
        names = ", ".join(packaged)
        raise ScenarioError(
            f"no scenario {str(name_or_path)!r}: give the path of a file, or one of {names}"
        ) from None
    except (OSError, UnicodeDecodeError) as error:
        raise ScenarioError(
            f"cannot read {name_or_path}: {error}; check the path, its permissions and that it is"
            " UTF-8 text"
        ) from None
    except tomllib.TOMLDecodeError as error:
        raise ScenarioError(
            f"{name_or_path} is not valid TOML: {error}; correct that line"
        ) from None
    return parse_scenario(document, str(name_or_path))


def parse_scenario(document: dict[str, Any], where: str) -> Scenario:
    """Check a scenario read from TOML; `where` names it in messages. Raises ScenarioError."""
    try:
        return Scenario.model_validate(document)
    except ValidationError as error:
        problems = "\n".join(f"  {_explain(problem)}" for problem in error.errors())
        raise ScenarioError(f"{where} cannot be used:\n{problems}") from None


def _explain(problem: Any) -> str:
    setting = ".".join(str(part) for part in problem["loc"])
    match problem["type"]:
        case "extra_forbidden":
            return f"{setting} = {problem['input']!r}: no such setting; remove or rename it"
        case "missing":
            return f"{setting}: missing; add it"
        case "value_error":
            text = problem["msg"].removeprefix("Value error, ")
            return f"{setting}: {text}" if setting else text
        case _:
            return f"{setting} = {problem['input']!r}: {problem['msg']}; change it to fit"
