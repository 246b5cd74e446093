"""The statistics: pure functions of numbers and arrays that return frozen dataclasses.

No frames, no paths, no clock, no settings, and nothing else of ours is imported. Bad input is a `ValueError` that names
the argument; what cannot be estimated is NaN. Intervals show how sure an estimate is; limits tell where a further count
would fall if nothing had changed. They are never used for each other.
"""
