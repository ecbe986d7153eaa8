"""Log files: bytes -> readings -> minute rows."""
