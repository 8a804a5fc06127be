"""When to clean, what may withhold a pulse, and which valve fires next.

``permissives`` says what is missing, ``runs`` starts and stops runs by that, ``pulsing`` fires the
pulses of a run; ``state`` is what they remember.
"""
