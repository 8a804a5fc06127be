"""The limits that a study keeps: which a candidate breaks, and what to do where none keeps them."""

from collections.abc import Callable

from dustcake_lab.study.candidates import Outcome
from dustcake_lab.study.study import Study

HIGHEST = "highest dP"
FLOW = "flow at the hood"
OUT_OF_REACH = "low set point out of reach"
UNSEEN = "low set point or mean dP below nearly all of the trace"
"""A thin cake may cling: what pulses do there is not for a model to say that has not seen it."""
NEVER = "never cleaned within the time simulated"
_OFTEN = 0.05


def broken(study: Study, index: int) -> list[str]:
    """Which limits a candidate breaks, under more than one in twenty sets of parameters."""
    outcomes, low_pa = study.outcomes[index], study.candidates[index].low_pa
    least, unseen_pa = study.plan.least_flow, study.collector.lowest_dp_pa
    tests: dict[str, Callable[[Outcome], bool]] = {
        HIGHEST: lambda each: each.highest_dp_pa > 1.01 * study.most_dp_pa,
        FLOW: lambda each: (
            least is not None and each.least_flow * study.prices.flow_m3s < (1.0 - 1e-6) * least
        ),
        OUT_OF_REACH: lambda each: "cleaning_not_effective" in each.alarms,
        UNSEEN: lambda each: min(each.mean_dp_pa, low_pa or each.mean_dp_pa) < unseen_pa,
        NEVER: lambda each: each.pulses == 0.0,
    }
    return [
        name for name, test in tests.items() if sum(map(test, outcomes)) > _OFTEN * len(outcomes)
    ]


def comparable(study: Study) -> bool:
    """Whether today's settings have been seen to clean: else there is nothing to compare with."""
    return NEVER not in broken(study, 0)


def told(study: Study, name: str) -> str:
    """A limit with its value, and where that comes from."""
    plan = study.plan
    if name == HIGHEST and plan.most_dp_pa is None:
        return f"{name} ({study.most_dp_pa:.0f} Pa, by the alarms of the settings)"
    if name == HIGHEST:
        return f"{name} (--most-dp {plan.most_dp_pa:g})"
    if name == FLOW:
        return f"{name} (--least-flow {plan.least_flow:g})"
    return name


def binding(study: Study) -> list[str]:
    """Where no candidate keeps the limits: those that all break; failing that, those that any
    does, the most often broken first."""
    found = [set(broken(study, n)) for n in range(1, len(study.candidates))]
    names = sorted(set().union(*found), key=lambda name: -sum(name in each for each in found))
    by_all = [name for name in names if all(name in each for each in found)]
    return by_all or names


def remedy(study: Study, name: str) -> str:
    """What to do where this limit binds."""
    return {
        HIGHEST: "Allow a higher dP with --most-dp, where filters and fan bear it.",
        FLOW: (
            f"The mean flow is {study.prices.flow_m3s:g} m3/s: ask for less with --least-flow, or "
            "open the damper and record again."
        ),
        OUT_OF_REACH: (
            f"The fitted residual dP is {study.collector.residual.value:.0f} Pa: look at header "
            "pressure and filters, or allow a higher dP with --most-dp."
        ),
        UNSEEN: (
            f"98 % of the trace lies above {study.collector.lowest_dp_pa:.0f} Pa: no low set point "
            "and no mean dP below that is recommended, since the model has hardly seen what pulses "
            "do there. To learn more, lower the low set point for some days and record again."
        ),
        NEVER: f"Simulate for longer than {study.plan.days:g} days, with --days.",
    }[name]
