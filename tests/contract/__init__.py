"""The contract of the exports: how values read, which rules rows break, and what is derived from it."""
