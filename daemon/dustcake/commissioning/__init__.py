"""Commissioning: a collector's first start, step by step, with a record of what was found.

The procedure is data: steps (``steps``) with actions, each with questions for the person, perhaps
requests to the core, and an evaluation of what is then observed (``procedure``, ``observation``).
What was tried and found goes into the record, which is signed at the end (``record``); the report
is made of it (``report``). ``scan`` searches a bus for the transmitter, and says what the words
found there may mean.

Nothing here knows a clock, a file or a device: ``runtime.commissioning`` carries the steps out in
the daemon, and hands in what it reads. Command line and panel show the same.
"""
