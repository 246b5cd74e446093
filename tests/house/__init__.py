"""The house itself: which way imports go, who reads the clock, what lies where, and that all of it is documented."""
