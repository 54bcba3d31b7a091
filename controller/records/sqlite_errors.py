"""What SQLite raises through Python, a damaged file included."""

from __future__ import annotations

import sqlite3

SQLITE_ERRORS = (sqlite3.Error, UnicodeDecodeError)
"""SQLite quotes a damaged file in its message, and not all bytes of that are text."""
