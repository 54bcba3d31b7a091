"""The dry run: the service's own loop on a simulated clock, a simulated plant and a grower."""
