"""The field side: transmitters, contacts and coils of the collectors, over Modbus TCP and RTU."""

from dustcake.adapters.modbus.bus import BusLine, open_bus
from dustcake.adapters.modbus.inputs import FieldInputs
from dustcake.adapters.modbus.outputs import CoilOutputs
from dustcake.adapters.modbus.requests import Read

__all__ = ["BusLine", "CoilOutputs", "FieldInputs", "Read", "open_bus"]
