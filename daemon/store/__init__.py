"""One SQLite file, one writer."""
