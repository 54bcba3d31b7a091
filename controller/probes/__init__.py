"""Where temperatures come from, and the sieve that judges each of them."""
