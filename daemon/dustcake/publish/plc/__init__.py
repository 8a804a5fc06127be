"""The face towards a PLC: a collector as Modbus registers, to be read only."""
