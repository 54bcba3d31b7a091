"""Pictures of what was recorded or rehearsed, from plain values."""
