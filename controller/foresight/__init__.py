"""When the cold runs out: what is left in the reservoir, and when to change the packs. Pure."""
