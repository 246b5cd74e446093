"""Files that only their owner can read."""

import os
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def owner_only() -> Iterator[None]:
    """While it holds, files and folders are made readable and writable by their owner alone."""
    before = os.umask(0o077)
    try:
        yield
    finally:
        os.umask(before)
