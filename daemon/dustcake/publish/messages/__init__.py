"""What plain mode says, for programs: JSON Schema of every payload, and an AsyncAPI document.

Both are made from the same enumerations and event classes as the payloads; tests hold every payload
that is rendered to them.
"""
