"""Notices to people: when one is due, and its sending."""
