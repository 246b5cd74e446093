"""Where files go: folders made for them, and files that only their owner can read."""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from pipeline.errors import UsageError


@contextmanager
def owner_only() -> Iterator[None]:
    """While it holds, files and folders are made readable and writable by their owner alone."""
    before = os.umask(0o077)
    try:
        yield
    finally:
        os.umask(before)


def make_parent(path: Path) -> None:
    """Make the folder a path lies in; `UsageError` where that cannot be."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UsageError(f"{path.parent} is no folder: {error.strerror}.", remedy="Name another place.") from None
