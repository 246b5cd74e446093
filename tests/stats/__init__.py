"""Tests of the statistics, one file for each module of theirs."""
