"""Cautions, shown where they matter. They replace no local code, manual or licensed practice.

Common practice, no source, but for what concerns hand-held air: 29 CFR 1910.242(b).
"""

FIRST = (
    "Local codes, the collector's manual and licensed practice come first. Dustcake is no safety "
    "system.",
    "The dust may explode, burn or poison: do nothing without the site's dust hazard analysis.",
)

LOCK_OUT = (
    "Lock out and tag out the blower's supply before anybody reaches into fan, drive or housing. "
    "A blower that dustcake asks to run may start at any time."
)
LINES = (
    "Isolate the transmitter from the collector before pressure is put on it. Blow gently, or use "
    "a hand pump and a manometer: compressed air bursts the cell."
)
STORED_AIR = (
    "The header holds energy: shut off the air and vent it before anybody works at valves, pilots "
    "or blow pipes. Valves fire without warning."
)
NOBODY_INSIDE = (
    "Nobody at an open door, at the filters or in front of the blow pipes while a valve is pulsed. "
    "Wear hearing protection."
)
NO_FLOW = (
    "A pulse without flow may raise a dust cloud: with dust in the collector only as the dust "
    "hazard analysis allows."
)
ROTATION = (
    "Stand clear of couplings, belts and the outlet. Guards on. Wiring is changed by licensed "
    "persons only, after lock-out."
)
NEW_MEDIA = (
    "New filters let more dust through until they have a cake: keep the exhaust outdoors or "
    "watched, as the permit and the dust ask for."
)
DAMPER_OPENING = (
    "More flow than the filters are made for drives dust into the media for good: open in steps, "
    "and never beyond the rated flow or motor current."
)
HARMLESS_TRIALS = (
    "Try only what harms nobody. Inform the control room before. Never make smoke or fire: use the "
    "detector's own test, and see that fire protection that it starts is taken care of by those "
    "who are licensed to."
)
