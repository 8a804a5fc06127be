"""The settings file: its model, its loading, and errors a person can act on.

The model (``model``, and by subject ``buses``, ``cleaning``, ``monitoring``,
``services``) says what each setting is, allows and defaults to; the JSON Schema for editors
(``json_schema``) is made of it, docstrings included. ``load`` reads a file and reports all that is
wrong in it at once: first each setting by itself (``errors``), then the rules that join several
(``rules``, ``collector_rules``). A problem names the setting, its value, what is allowed, and the
remedy.

``setpoints`` turns a checked collector into what its decisions depend on, in SI units: by rule from
names and units, so that a new setting of the core is one line in its model and one in the core's
record. ``summary`` says in plain words what a file means, and what it rules out.

Nothing is re-exported here: a bus adapter needs ``buses`` alone, and the whole model is slow to
import.
"""
