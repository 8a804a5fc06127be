"""The field side: transmitters, contacts and coils of the collectors, over Modbus TCP and RTU."""

from dustcake.adapters.modbus.bus import Bus
from dustcake.adapters.modbus.inputs import FieldInputs
from dustcake.adapters.modbus.messages import Read
from dustcake.adapters.modbus.outputs import CoilOutputs

__all__ = ["Bus", "CoilOutputs", "FieldInputs", "Read"]
