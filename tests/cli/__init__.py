"""The command line: exit codes, streams, help and settings."""
