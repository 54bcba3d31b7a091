"""Probes told apart, the ice point, relays, the first run."""
