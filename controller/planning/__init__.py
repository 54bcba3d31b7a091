"""Questions to a grower, builds, verdict, and what to change first."""
