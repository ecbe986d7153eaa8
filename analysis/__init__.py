"""Pure functions over arrays and frames: no clock, disk, network or log."""
