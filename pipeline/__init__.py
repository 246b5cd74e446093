"""Scapha: an ear-piercing business's figures and complication surveillance, every night, from its own exports."""

__version__ = "0.1.0"
