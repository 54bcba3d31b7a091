"""Putting coldpin on a Raspberry Pi, taking it away, and going back from an upgrade that fails.

Standard library only: a clone runs this before any package is there.
"""
