"""Alarms.

``names`` says what an alarm is, and which transitions its life has; ``life`` walks them. Beside the
condition of an alarm, in ``readings`` or ``equipment``, stands what is stated of it alone.
``catalogue`` puts these entries together, says which explains which, and follows every alarm at
each full step, causes before what they explain.
"""
