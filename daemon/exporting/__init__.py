"""The database as files that other programs read."""
