"""The TOML file: units, models, and errors that a person can act on."""
