"""A trace through the decision core: what dustcake would have done, and why.

``replay.Replay`` takes samples and gives the events of the core, bit for bit those of the daemon;
``what_if`` says up to when they are an answer, and ``listing`` prints them.
"""
