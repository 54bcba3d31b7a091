"""The physics: water, moist air, coil, packs, envelope and the plant they make. Pure functions."""
