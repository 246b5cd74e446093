"""The command line: commands and their arguments. It alone reads the clock; heavy imports wait their turn."""

from pipeline.cli import files, nights, receipts, watching
from pipeline.cli.group import main

__all__ = ["files", "main", "nights", "receipts", "watching"]
