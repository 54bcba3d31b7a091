"""Documents for a message broker, and requests that come from it."""
