"""The steps, in their order."""

import json
import tomllib
from importlib import resources
from string import Template
from typing import Any

from pydantic import ConfigDict, TypeAdapter

from dustcake.commissioning.observation import Equipment
from dustcake.commissioning.procedure import ProcedureStep, Steps, Work
from dustcake.commissioning.scan import AGREES, APPLIED, AT_REST, MOST_SHOWN
from dustcake.commissioning.steps import devices, operation
from dustcake.core.setpoints import BlowerRequest, OutputKind
from dustcake.publish.wording import spoken

_WORK = devices.WORK | operation.WORK
_STEPS = TypeAdapter(tuple[ProcedureStep, ...], config=ConfigDict(extra="forbid"))


def all_steps(equipment: Equipment) -> Steps:
    """The steps for this collector. Only the last, the signature, cannot be skipped."""
    text = resources.files(__package__).joinpath("steps.toml").read_text(encoding="utf-8")
    content = tomllib.loads(Template(text).substitute(facts_of(equipment)))
    steps = [step for step in content["step"] if step.pop("fitted", True)]
    for step in steps:
        step["cautions"] = [content["cautions"][name] for name in step["cautions"]]
        for action in step["actions"]:
            action["work"] = _WORK.get((step["name"], action["name"]), Work())
    for step in steps[:-1]:
        step["actions"].append({**content["skip"], "work": Work()})
    return _STEPS.validate_python(steps)


def facts_of(equipment: Equipment) -> dict[str, Any]:
    """What ``steps.toml`` leaves open: strings as they are, anything else as TOML."""
    setpoints = equipment.setpoints
    is_board = setpoints.pulsing.kind is OutputKind.DEMAND_CONTACT
    by_hand = setpoints.blower.request is BlowerRequest.HAND
    trials = operation.trials_of(setpoints)
    facts = {
        "buses": equipment.buses,
        "bus": equipment.buses[0],
        "at_rest": AT_REST,
        "applied": APPLIED,
        "agrees": f"{AGREES:.0%}",
        "most_shown": MOST_SHOWN,
        "zero_s": setpoints.zeroing.average_s + 30.0,
        "board": is_board,
        "own_valves": not is_board,
        "valves": [str(number + 1) for number in range(len(setpoints.pulsing.order))],
        "pulse_s": setpoints.pulsing.report_timeout_s + 20.0,
        "start": "Start the blower and watch dP"
        if by_hand
        else "Watch dP while you start the blower",
        "media": list(operation.Media),
        "proposed": operation.PROPOSED,
        "keep": operation.KEEP,
        "trials": list(trials),
        "how": "; ".join(f"{spoken(name)}: {how}" for name, how in trials.items()),
    }
    return {name: one if isinstance(one, str) else json.dumps(one) for name, one in facts.items()}
