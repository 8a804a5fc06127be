"""What the responses to pulses say about valves, header and filters.

Each pulse is observed (``PulseObservation``), from the polls that there are: header pressure and dP
when the valve is commanded, header pressure at the first poll afterwards (a pulse of 0.1 s is over
before it is polled, so what is seen of its dip is the recovery), and both again ``response_s``
later, or when the next pulse is due. From pulse to pulse each valve collects evidence against its
own usual response and against that of the other rows at the same time, by a sequential test
(``findings``), so that a strong signal speaks after few pulses and a weak one after more.

Everything is compact and part of the state: it outlives restarts, and begins anew with a recorded
filter change. Nothing here decides about pulses.
"""
