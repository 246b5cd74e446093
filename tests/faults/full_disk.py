"""Nights on a disk that is full: files that may not grow beyond a size, and a small file system of their own.

In the folder `tests`: `python -m faults.full_disk [whole] [short]`; with `whole` the real pages are drawn, else two
short ones; with `short` only the sizes at which something else happens are tried.

Here the database's own writes fail too. What must hold is what `sweep` asks for. The file system needs the right to
mount one; without it that part is left out, and said so.
"""

import resource
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from .deliveries import lay
from .failing import Fault
from .sweep import Case, Setting, left_by, mended_by, plain_site, settings, told_by
from .warm import Place, prepare, run

_KIB = 1 << 10
FILE_SIZES = tuple(size * _KIB for size in (0, 4, 8, 12, 16, 64, 256, 300, 520, 780, 1040, 1300, 1800))
FREE_SIZES = tuple(size * _KIB for size in (0, 4, 12, 60, 256, 300, 520, 780, 1040, 1300, 1800, 2600))

SHORT_SIZES = tuple(size * _KIB for size in (0, 60, 256))


def _limited(size: int, first: Callable[[], None]) -> Callable[[], None]:
    def limit() -> None:
        first()
        resource.setrlimit(resource.RLIMIT_FSIZE, (size, size))

    return limit


def limited_files(setting: Setting, size: int, first: Callable[[], None]) -> Case:
    """A night in which no file can grow beyond a size."""
    with tempfile.TemporaryDirectory(dir=setting.origin.parent) as name:
        place = Place(Path(name) / "here")
        shutil.copytree(setting.origin, place.folder, symlinks=True)
        return _judged(place, setting, f"files of {size >> 10} KiB at most", _limited(size, first), first)


def _judged(
    place: Place, setting: Setting, what: str, prepared: Callable[[], None], first: Callable[[], None],
    relief: Callable[[], None] = lambda: None,
) -> Case:  # fmt: skip
    night = run(place, setting.delivery.clock, prepared)
    messages = tuple(night.messages)
    findings = [*told_by(night, messages, Fault.FULL), *left_by(place, setting, night)]
    if any("damage" in line or "backup" in line for line in messages):
        findings.append("a full disk is told as a damaged store")
    relief()
    return Case(what, night.status, messages, (*findings, *mended_by(place, setting, first)))


@contextmanager
def small_disk(folder: Path, size: int) -> Iterator[None]:
    """A file system of a size over a folder."""
    subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={size}", "none", str(folder)], check=True)
    try:
        yield
    finally:
        subprocess.run(["umount", str(folder)], check=True)


def may_mount(folder: Path) -> bool:
    """Whether this process may mount a file system."""
    try:
        with small_disk(folder, 1 << 20):
            return True
    except (subprocess.CalledProcessError, FileNotFoundError):
        return False


def little_space(setting: Setting, free: int, first: Callable[[], None]) -> Case:
    """A night with so many bytes free on the disk of store and site; the inbox lies elsewhere."""
    with tempfile.TemporaryDirectory(dir=setting.origin.parent) as name:
        place = Place(Path(name) / "here")
        place.folder.mkdir()
        with small_disk(place.folder, 64 << 20):
            shutil.copytree(setting.origin, place.folder, symlinks=True, dirs_exist_ok=True)
            filler = place.folder / "filler"
            with filler.open("wb") as file:
                file.write(bytes(max(0, shutil.disk_usage(place.folder).free - free)))
            return _judged(place, setting, f"{free >> 10} KiB free", first, first, filler.unlink)


def cases(folder: Path, first: Callable[[], None], *, short: bool) -> Iterator[tuple[str, Case]]:
    """Every case, with the night's name."""
    for name, setting in settings(folder, first):
        lay(Place(setting.origin).inbox, setting.delivery)
        for size in SHORT_SIZES[:1] if short else FILE_SIZES:
            yield name, limited_files(setting, size, first)
        if may_mount(folder / "later night"):
            for size in SHORT_SIZES if short else FREE_SIZES:
                yield name, little_space(setting, size, first)
        else:
            print("no file system may be mounted here: that part is left out", file=sys.stderr)  # noqa: T201


def main(*words: str) -> int:
    """Fill disks, and print what was found; 1 where there was anything."""
    prepare()
    n_bad = 0
    with tempfile.TemporaryDirectory() as folder:
        first = (lambda: None) if "whole" in words else plain_site
        for name, case in cases(Path(folder), first, short="short" in words):
            n_bad += bool(case.findings)
            said = f" | {case.messages[-1]}" if case.findings and case.messages else ""
            print(f"{name}, {case.call}: exit {case.status}; {'; '.join(case.findings) or 'well'}{said}")  # noqa: T201
    return bool(n_bad)


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
