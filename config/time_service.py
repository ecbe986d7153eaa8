"""Where a time service tells that it has set the clock; by itself, for processes that must stay small."""

CLOCK_SET_FILE = "/run/systemd/timesync/synchronized"
"""Touched by systemd's time service whenever it has set the clock (systemd-timesyncd.service(8))."""
