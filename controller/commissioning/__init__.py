"""Which probe is which, the ice point, relays, the first run."""
