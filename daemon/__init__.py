"""The imperative shell: ports, disk, clock, people."""
