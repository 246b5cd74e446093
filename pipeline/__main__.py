"""`python -m pipeline` is the `scapha` command."""

from pipeline.cli import main

main()
