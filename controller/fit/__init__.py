"""Learning a plant from a week of records; numpy and scipy only here."""
