"""A second, independent implementation of every published table, in plain Python.

It is written from the contract and the method notes alone and shares no line with the pipeline, so that where both
agree on an export folder, neither is likely to have misread them. It is made to be read, not to be fast.
"""

from .intake import Taken, read_inbox
from .known import Settings, as_of_default
from .published import tables

__all__ = ["Settings", "Taken", "as_of_default", "read_inbox", "tables"]
