"""Where files go: folders made for them, files that only their owner can read, and disks that take no more."""

import errno
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from pipeline.errors import UsageError, UserError

_MENDABLE = (
    *(errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EROFS),
    *(errno.EACCES, errno.EPERM, errno.EIO, errno.ENOLCK),
)
MEND_DISK = "Free some space, or see to the rights and the disk, then run it again."


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
        if error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EIO):
            raise  # a place that is named well
        raise UsageError(f"{path.parent} is no folder: {error.strerror}.", remedy="Name another place.") from None


@contextmanager
def disk_told() -> Iterator[None]:
    """Within, or in a function it decorates, a disk that is full, broken or closed to us is the user's to mend."""
    try:
        yield
    except OSError as error:
        if error.errno not in _MENDABLE:
            raise
        place = f"{error.filename}: " if isinstance(error.filename, str | os.PathLike) else ""
        raise UserError(f"{place}{error.strerror}.", remedy=MEND_DISK) from None


@disk_told()
def write_csv(path: Path, text: str) -> None:
    """Write a CSV file that its owner alone can read, whole or not at all; one of that name goes.

    `UsageError` where the name does not end in .csv or no file can lie there.
    """
    if path.suffix != ".csv" or path.is_dir():
        raise UsageError(f"{path} is no name of a CSV file.", remedy="Name a file that ends in .csv.")
    aside = path.with_name(f".{path.name}.writing")
    with owner_only():
        make_parent(path)
        try:
            aside.unlink(missing_ok=True)
            aside.write_text(text, encoding="utf-8", newline="")
            aside.replace(path)
        finally:
            aside.unlink(missing_ok=True)


def tells_of_disk(error: Exception) -> bool:
    """Whether a database's error passes on one that the disk gave."""
    return any(os.strerror(code) in str(error) for code in _MENDABLE)
