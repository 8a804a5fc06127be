"""Whether cleaning begins again too soon after it has ended, time after time.

The residual dP creeps up over months; when it comes near the high set point, or the load is more
than the filters are made for, one run follows another without a rest between them (common practice,
no source).
"""

from dustcake.core.cleaning.runs import Kind, Run
from dustcake.core.record import record, replace
from dustcake.core.step_context import StepContext


@record
class Pace:
    """``ended_s``: when the last on-demand run ended; ``short``: how many in a row began too soon
    after the one before."""

    ended_s: float | None = None
    short: int = 0


def restarted(pace: Pace, now_s: float) -> Pace:
    """After a restart: the run that was under way, if any, ended then at the latest."""
    return replace(pace, ended_s=now_s) if pace.short else Pace()


def follow(context: StepContext, pace: Pace, before: Run | None, run: Run | None) -> Pace:
    """Follow on-demand runs as they begin and end."""
    was_cleaning = before is not None and before.kind is Kind.ON_DEMAND
    cleaning = run is not None and run.kind is Kind.ON_DEMAND
    if was_cleaning and not cleaning:
        return replace(pace, ended_s=context.now_s)
    if cleaning and not was_cleaning:
        gap_s = context.setpoints.alarm_rules.frequent_gap_s
        soon = pace.ended_s is not None and context.now_s < pace.ended_s + gap_s
        return Pace(None, pace.short + 1 if soon else 0)
    return pace


def is_frequent(context: StepContext, pace: Pace) -> bool:
    """Whether it has been so often enough, and no rest has been long enough since."""
    rules = context.setpoints.alarm_rules
    if pace.short < rules.frequent_runs:
        return False
    return pace.ended_s is None or not context.is_due(pace.ended_s + rules.frequent_gap_s)
