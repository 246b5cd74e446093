"""Publish a site: built aside, then put in place by one rename, so that a reader never meets half a site.

The site's path is a link to a folder beside it, named by the digest of its content. A link that lags after a crash is
put right by the next run, which builds the same folder again. A file that is as it was published is the same file, by a
hard link: what copies the site elsewhere by times copies only what changed.
"""

import fcntl
import filecmp
import hashlib
import json
import os
import re
import shutil
import stat
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from pipeline.errors import UsageError
from pipeline.places import make_parent

_DIGEST_DIGITS = 16


QUALITY_LEAD = "quality lead"
"""The reader of the whole site."""


def check_site_path(site: Path, reader: str = QUALITY_LEAD) -> None:
    """`UsageError` where something stands at the site's path that is no site of ours and would be lost.

    So it is where an edition for another reader stands there: those who look at one must not find another.
    """
    make_parent(site)
    if not site.name:
        raise UsageError(f"{site} is no name for a site.", remedy="Name a folder of its own with --site.")
    if site.is_symlink():
        published_for = _reader_of(site)
        if published_for != reader:
            raise UsageError(
                f"{site} holds the edition for: {published_for}.", remedy="Name another folder for this one."
            )
        return
    if not site.exists():
        return
    if not site.is_dir() or any(site.iterdir()):
        raise UsageError(
            f"{site} exists and was not published by Scapha.",
            remedy="Name another folder with --site, or move it away.",
        )


def _reader_of(site: Path) -> str:
    """For whom a published site is, by its summary; sites that do not say so are the quality lead's."""
    try:
        summary = json.loads((site / "summary.json").read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return QUALITY_LEAD
    return str(summary.get("reader", QUALITY_LEAD)) if isinstance(summary, dict) else QUALITY_LEAD


@contextmanager
def built_aside(site: Path, build: Callable[[Path], None]) -> Iterator[Callable[[], bool]]:
    """Build a site beside its path; yields a function that puts it in place, and says whether that changed anything.

    All that may fail for want of space is done before it yields. Whatever is not the published site in the end, what
    was built and not put in place as well as older sites, is taken away.
    """
    building = site.with_name(f".{site.name}.building")
    link = site.with_name(f".{site.name}.link")
    with _one_at_a_time(site.parent):
        shutil.rmtree(building, ignore_errors=True)
        building.mkdir(mode=0o700)
        try:
            build(building)
            folder = site.with_name(f".{site.name}.{_digest(building)}")
            if _is_published(site, folder):
                yield lambda: False
            else:
                shutil.rmtree(folder, ignore_errors=True)
                _take_over_unchanged(building, site, link)
                building.rename(folder)
                link.unlink(missing_ok=True)
                link.symlink_to(folder.name)
                yield lambda: _put_in_place(site, link)
        finally:
            with suppress(OSError):
                link.unlink(missing_ok=True)
            shutil.rmtree(building, ignore_errors=True)
            _remove_unpublished(site)


@contextmanager
def _one_at_a_time(folder: Path) -> Iterator[None]:
    """Let one run publish into a folder at a time; another waits. The folder itself is locked, so no file is left."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX)
        yield
    finally:
        os.close(handle)


def _digest(folder: Path) -> str:
    digest = hashlib.sha256()
    for path in sorted(folder.rglob("*")):
        if path.is_file():
            digest.update(path.relative_to(folder).as_posix().encode() + b"\0" + path.read_bytes() + b"\0")
    return digest.hexdigest()[:_DIGEST_DIGITS]


def _is_published(site: Path, folder: Path) -> bool:
    """Whether a site leads to a folder, and that is as its name says."""
    if not site.is_symlink() or site.resolve() != folder.resolve():
        return False
    return _digest(folder) == folder.name.rpartition(".")[2]


def _take_over_unchanged(building: Path, site: Path, link: Path) -> None:
    """Put the published file in the place of each that was built alike; `link` is a free name.

    Where that cannot be, as on disks without hard links, the file stays as it was built.
    """
    if not site.is_symlink():
        return
    filecmp.clear_cache()  # it goes by times
    for path in building.rglob("*"):
        published = site / path.relative_to(building)
        with suppress(OSError):
            if _are_alike(path, published):
                os.link(published, link)
                link.replace(path)


def _are_alike(built: Path, published: Path) -> bool:
    """Whether two are plain files of the same owner, rights and bytes."""
    ours, theirs = built.lstat(), published.lstat()
    is_same_kind = (ours.st_mode, ours.st_uid, ours.st_gid) == (theirs.st_mode, theirs.st_uid, theirs.st_gid)
    return stat.S_ISREG(ours.st_mode) and is_same_kind and filecmp.cmp(built, published, shallow=False)


def _put_in_place(site: Path, link: Path) -> bool:
    if site.is_dir() and not site.is_symlink():
        site.rmdir()  # an empty folder, as `check_site_path` saw
    link.replace(site)
    return True


def _remove_unpublished(site: Path) -> None:
    """Take our folders away that the site does not lead to; one that cannot go now is for the next run."""
    published = site.readlink().name if site.is_symlink() else ""
    ours = re.compile(re.escape(f".{site.name}.") + f"[0-9a-f]{{{_DIGEST_DIGITS}}}")
    for folder in site.parent.iterdir():
        if ours.fullmatch(folder.name) and folder.name != published and not folder.is_symlink():
            shutil.rmtree(folder, ignore_errors=True)
