"""`dustcake`, whose measurements during a commissioning take half or a quarter of their time. That
they last as long as they should is proved in simulated time, by `test_conductor.py`."""

from dustcake.__main__ import main
from dustcake.commissioning.steps import devices, operation
from dustcake.runtime import commissioning

if __name__ == "__main__":
    devices.READ_S /= 4
    devices.MEASURED_S /= 4
    devices.OBSERVED_S /= 2
    operation.MEASURED_S /= 4
    operation.CAKE_STAYS_S /= 4
    commissioning.WINDOW_S /= 4
    raise SystemExit(main())
