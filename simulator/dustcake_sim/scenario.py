"""A scenario file: a collector, its instruments, its dust load and what happens to it.

TOML, strict: an unknown key, a wrong type or a value out of range is refused with the setting, the
value and the remedy. All in SI, with units in the names; the dust load is in g/m3 as is usual.
"""

from __future__ import annotations

import math
import random
import tomllib
from collections.abc import Sequence
from importlib import resources
from importlib.resources.abc import Traversable
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from dustcake_sim.dust import Bursts, DustProfile, LoadStep, Shift
from dustcake_sim.events import Event
from dustcake_sim.instruments import TransmitterSpec
from dustcake_sim.plant.air import pressure_at_altitude_pa
from dustcake_sim.plant.fan import Blower, Duct, Fan
from dustcake_sim.plant.header import AirSupply, Header
from dustcake_sim.plant.media import Media
from dustcake_sim.plant.pulse import Drum
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
    new_drag_pa_s_m: Positive | None = None
    seasoning_kg_m2: Positive = 0.01
    blinding_per_s: NotNegative = 0.0
    compression_s_m: NotNegative = 0.0
    half_load_kg_m2: NotNegative = 0.0
    pulse_pressure_pa: Positive | None = None
    full_pulse_s: NotNegative = 0.0
    held_back: Annotated[float, Field(ge=0.0, lt=1.0)] = 0.0


class DrumTable(_Table):
    """`[plant.drum]`: the dust drum, and the dust that does not stay in it."""

    capacity_kg: Positive | None = None
    thrown_share: Share = 0.0
    raised_share: Share = 0.0

    @model_validator(mode="after")
    def _some_falls(self) -> DrumTable:
        if self.thrown_share + self.raised_share >= 1.0:
            raise ValueError("make thrown_share and raised_share less than 1 together")
        return self


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
    warming_time_s: Positive = 8.0
    compressor_kg_s: NotNegative | None = None
    leak_m3_s_pa: NotNegative = 0.0


class PlantTable(_Table):
    """`[plant]`: the collector."""

    rows: Annotated[int, Field(ge=1, le=16)]
    row_area_m2: Positive
    altitude_m: Annotated[float, Field(ge=-500.0, le=5000.0)] = 0.0
    removed_scatter: Annotated[float, Field(ge=0.0, le=0.5)] = 0.0
    """By how much rows differ in what a pulse removes: standard deviation, as a share of it."""
    media: MediaTable
    fan: FanTable
    blower: BlowerTable
    header: HeaderTable
    drum: DrumTable = DrumTable()


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
    days: Positive = 1.0
    """How long the story takes, days."""
    settings: str | None = None
    """The settings file, beside this one, with which a controller is meant to run it."""
    plant: PlantTable
    transmitters: TransmittersTable
    start: StartTable
    load: tuple[LoadStep, ...] = ()
    shift: tuple[Shift, ...] = ()
    """Work by the clock in place of a load profile: the contact of the process equipment follows
    it, and so does a blower under local control."""
    bursts: Bursts | None = None
    event: tuple[Event, ...] = ()

    @model_validator(mode="after")
    def _consistent(self) -> Scenario:
        _require_order("load", [step.at_s for step in self.load])
        _require_order("event", [event.at_s for event in self.event])
        if bool(self.load) == bool(self.shift):
            raise ValueError("load: give [[load]] or [[shift]] tables, and not both")
        if self.load and self.load[0].at_s != 0.0:
            raise ValueError("start the first [[load]] at at_s = 0")
        if self.load_repeat_s is not None and not self.load:
            raise ValueError("load_repeat_s: shifts repeat each week; remove it")
        if self.load_repeat_s is not None and self.load[-1].at_s >= self.load_repeat_s:
            raise ValueError("make load_repeat_s larger than the last at_s of [[load]]")
        for number, event in enumerate(self.event):
            if event.kind == "valve" and event.valve > self.plant.rows:
                raise ValueError(
                    f"event.{number}.valve is {event.valve}: choose 1 to {self.plant.rows},"
                    " the number of rows"
                )
            row = getattr(event, "row", None)
            if row is not None and row > self.plant.rows:
                raise ValueError(
                    f"event.{number}.row is {row}: choose 1 to {self.plant.rows},"
                    " the number of rows"
                )
            if event.kind == "blower" and self.blower_control == "remote":
                raise ValueError(
                    f"event.{number} switches the blower by hand: set blower_control to 'local',"
                    " or remove the event"
                )
        return self

    def dust_profile(self, seed: int = 0) -> DustProfile:
        """When how much dust arrives; the same seed gives the same bursts."""
        return DustProfile(self.load, self.load_repeat_s, self.shift, self.bursts, seed)


def _require_order(name: str, times_s: Sequence[float]) -> None:
    for number, (first_s, second_s) in enumerate(pairwise(times_s), start=1):
        if second_s < first_s:
            raise ValueError(
                f"{name}.{number}.at_s is {second_s:g}, before the one above it: "
                f"put the [[{name}]] tables in order of time"
            )


def build_plant(scenario: Scenario, seed: int = 0) -> Plant:
    """The scenario's collector; the same seed gives the same scatter from row to row."""
    table = scenario.plant
    header = table.header.model_dump(exclude={"supply_gauge_pa", "compressor_kg_s", "leak_m3_s_pa"})
    rng = random.Random(f"rows {seed}")
    scatter = table.removed_scatter
    return Plant(
        rows=table.rows,
        row_area_m2=table.row_area_m2,
        media=Media(**table.media.model_dump()),
        fan=Fan(table.fan.shutoff_pa, table.fan.curve_pa_s2_m6),
        duct=Duct(table.fan.duct_pa_s2_m6),
        blower=Blower(**table.blower.model_dump()),
        header=Header(**header),
        drum=Drum(**table.drum.model_dump()),
        row_cleaning=tuple(max(0.0, rng.gauss(1.0, scatter)) for _ in range(table.rows)),
        ambient_pa=pressure_at_altitude_pa(table.altitude_m),
    )


def build_supply(scenario: Scenario) -> AirSupply:
    """What stands behind the scenario's header."""
    table = scenario.plant.header
    most_kg_s = math.inf if table.compressor_kg_s is None else table.compressor_kg_s
    return AirSupply(table.supply_gauge_pa, most_kg_s, table.leak_m3_s_pa)


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


def settings_beside(name_or_path: str | Path, scenario: Scenario) -> Traversable | None:
    """The settings file the scenario names, beside it; None where it names none."""
    if scenario.settings is None:
        return None
    packaged = packaged_scenarios().get(str(name_or_path))
    if packaged is not None:
        return resources.files("dustcake_sim") / "scenarios" / scenario.settings
    return Path(name_or_path).parent / scenario.settings


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
