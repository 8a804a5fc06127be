"""What can be learned away from the collector: from recordings, by the daemon's own decision core.

A trace (``traces``) is replayed through the core (``replay``), fitted with a model of rows of
filters (``fit``), and settings are tried on that model in a closed loop with the core (``study``),
with a report for people (``report``). ``commands``: what of this `dustcake` offers, such as `life`,
the forecast of filter life from a trace. The lab imports the controller, never the reverse, and
what makes a replay fast is here and not in the decision code.
"""
