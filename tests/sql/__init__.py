"""The SQL files: what their headers promise, and each one alone on small tables."""
