"""Tests of the editions for single readers."""
