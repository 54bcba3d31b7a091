"""The control law: pure functions on frozen values; no clock, no file, no thread."""
