"""The past as values: figures, report, export and import."""
