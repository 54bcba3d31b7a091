"""What all rooms share: temperatures, units, places, and what travels between rooms."""
