"""What people and plant SCADA may request, and what becomes of it.

A new kind of request is a record in ``kinds``, its name, level and fields in ``definitions``, and a
handler in ``handling``. Parser, JSON Schema, levels and command line follow from its definition.
"""
