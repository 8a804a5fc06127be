"""Alarms.

``names`` says what an alarm is, and which transitions its life has; ``life`` walks them. Beside the
condition of an alarm, in ``readings`` or ``equipment``, stands all that is stated of it.
``catalogue`` puts these entries together, and follows every alarm at each full step, causes before
what they explain.
"""
