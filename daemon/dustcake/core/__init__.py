"""Pure decisions: no clock, file, socket, log or random source is reached from here."""
