"""The settings file: its model, its loading, and errors a person can act on."""
