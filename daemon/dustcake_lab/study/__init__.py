"""Set points tried on a fitted collector, each with the daemon's own decision core.

``study.study`` runs a grid of ``candidates`` (``study.search`` seeks them instead) in a ``loop``,
under several sets of parameters that the trace allows; ``jobs`` spreads them over cores or a
cluster. ``recommendation`` judges by energy within limits, ``life`` adds how long filters would
last, ``results`` has it as tables and for programs, and ``fleet`` is for many collectors at once.
"""
