"""The pluggable output layer: drivers for relays and the mains rule."""
