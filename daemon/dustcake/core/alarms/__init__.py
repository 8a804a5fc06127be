"""Alarms.

``names`` says what an alarm is, and which transitions its life has; ``life`` walks them.
``readings``, ``equipment`` and ``cleaning`` each hold their part of the catalogue: beside the
condition of an alarm one entry with all that is stated of it (``definition``). ``catalogue`` puts
the entries together, and follows every alarm at each full step, causes before what they explain.
To add an alarm, give it a name in ``names``, an entry in one of the three, and a text for people in
``publish.alarm_texts``; settings, topics, schemas, the PLC map and the manual follow.

Nothing is re-exported here: the state imports ``names``, and the conditions import the state.
"""
