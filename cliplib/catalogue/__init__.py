"""The catalogue in SQLite: the only truth."""
