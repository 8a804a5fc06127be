"""Whether a dP that was read can be believed.

A reading can be well formed and still not be the dP of the filters: a plugged, open or swapped
sensing line, a frozen or drifting transmitter, a disturbed sample. What speaks against it is
gathered as standing doubts (``Doubt``), each with the NE 107 quality that it gives the reading:

- maintenance required: the value is used as before, and somebody should check the transmitter and
  its lines;
- failure: the value is dead, and cleaning does what the settings say for a bad reading. A dead
  signal never counts as clean filters.

The signs of a fault of a sensing line are arithmetic: the high port is on the dirty side, the low
port on the clean side, and a fan downstream of the filters puts both below the pressure of the
room, one upstream both above it.
"""
