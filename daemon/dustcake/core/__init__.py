"""Decisions, and nothing else: no clock, file, socket, log or random source is reached from here.

The way in is ``step.step``: (``state.State``, an ``inputs.Input``, ``setpoints.Setpoints``) to
``step.Step``, with ``commands`` and ``events``; its module says how a step works. ``state`` has all
that is remembered, ``first_state`` to begin with. What other rooms use most beside these:

- ``reading``: what comes from the field, and its quality;
- ``reasons``: why anything is as it is; ``requests``: what people may request;
- ``alarms.names``, ``alarms.catalogue``: the alarms there are;
- ``filter_life.forecast`` and ``minutes``: functions of records, outside of any decision;
- ``record``: the class of all values here.

Nothing is re-exported, so that a command which needs one of them does not import the rest.
"""
