"""coldpin keeps a mushroom fruiting chamber cool on cold water and ice packs."""

__version__ = "0.2.0"
"""As in pyproject.toml; a constant, since finding the installed package takes longer than the rest
of a short command."""
