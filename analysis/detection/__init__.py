"""Change detection, one idea a module."""
