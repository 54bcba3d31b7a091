"""Everything that may fail without the chamber noticing: page, notices, metrics, messages."""
