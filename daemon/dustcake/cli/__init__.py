"""The commands of a plant.

`dustcake.__main__` lists them all, those of the lab too. The module of a command is imported
only when that command is chosen, so that `dustcake --help` is quick on a small computer, and none
brings in the daemon to ask it a question. A module of a command has

- a docstring, which is `dustcake COMMAND --help`: what it does, and after that an example;
- ``configure(parser)``, which adds its arguments;
- ``run(arguments)``, which carries it out; what it returns, if anything, is the exit code.

What a command needs beyond its words (settings, the journal, the daemon's socket) is in rooms
below; here it is put into words.
"""
