"""`python -m daemon` is `clearbore`."""

from daemon.cli import main

main()
