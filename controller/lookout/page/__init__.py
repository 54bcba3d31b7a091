"""The page for phone and desk."""
