"""Nights without the rights they need, and two at once on one store.

In the folder `tests`: `python -m faults.rights`

Run by root, the nights without rights run as a user of their own, since root may do everything.
"""

import os
import shutil
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

from support.shortened import without_figures

from .deliveries import lay, small_delivery
from .sweep import plain_site
from .warm import Night, Place, prepare, run, start
from .whole import bytes_of, left_about

_NOBODY = 65534


def short_nights() -> None:
    """Let this process's nights be without figures, and publish two short pages."""
    plain_site()
    without_figures(setattr)


def as_nobody() -> None:
    """Be a user without rights, whose nights are short."""
    short_nights()
    if os.getuid() == 0:
        os.setgroups([])
        os.setgid(_NOBODY)
        os.setuid(_NOBODY)


def _own(folder: Path) -> None:
    """Give a folder and all in it to the user without rights."""
    if os.getuid() == 0:
        for path in [folder, *folder.rglob("*")]:
            os.chown(path, _NOBODY, _NOBODY, follow_symlinks=False)


def _refused(place: Place, codes: tuple[int, ...] = (1,)) -> list[str]:
    """What is wrong with a night that cannot be done: it must say so in one line, and change nothing."""
    before = bytes_of(place)
    night = run(place, small_delivery().clock, as_nobody)
    found = [] if night.status in codes else [f"exit {night.status}"]
    if any(line.startswith("Traceback") for line in night.messages):
        found.append(f"a traceback: {night.messages[-1]}")
    elif len(night.messages) != 1 and night.status != 2:  # how to use it is told in more lines
        found.append(f"{len(night.messages)} lines")
    return found + ([] if bytes_of(place) == before else ["store or site are not as they were"])


def _without(rights: Callable[[Place], Path], mode: int, codes: tuple[int, ...] = (1,)) -> Callable[[Place], list[str]]:
    """A case: a path's mode is changed once a first night has been, and something new is there."""

    def case(place: Place) -> list[str]:
        _first_night(place)
        path = rights(place)
        before = path.stat().st_mode
        path.chmod(mode)
        found = _refused(place, codes)
        path.chmod(before)
        return found + _done(run(place, small_delivery().clock, as_nobody), place)

    return case


def _first_night(place: Place) -> None:
    """Let a first night be, which is run once for all cases, and something new be there."""
    origin = Place(place.folder.parent / "after a first night")
    if not origin.folder.exists():
        lay(origin.inbox, small_delivery())
        _own(origin.folder)
        night = run(origin, small_delivery().clock, as_nobody)
        if night.status:
            raise RuntimeError("\n".join(night.messages))
    shutil.copytree(origin.folder, place.folder, symlinks=True, dirs_exist_ok=True)
    shutil.copy(place.inbox / "procedures.csv", place.inbox / "procedures_2.csv")
    _own(place.folder)


def _done(night: Night, place: Place) -> list[str]:
    """What is wrong with a night that must be done."""
    found = [f"exit {night.status}: {night.messages[-1:]}"] if night.status else []
    return found + [f"left about: {name}" for name in left_about(place)]


def new_in_a_locked_folder(place: Place) -> list[str]:
    """A first night whose store and site would lie in a folder that cannot be written."""
    lay(place.inbox, small_delivery())
    _own(place.folder)
    place.folder.chmod(0o500)
    found = _refused(place, (1, 2))
    place.folder.chmod(0o700)
    return found


def second_run(place: Place) -> list[str]:
    """A run that starts while another counts exits 5; the other is done."""
    lay(place.inbox, small_delivery())
    night = start(place, small_delivery().clock, plain_site)
    while (line := night.read()) is not None and "counting" not in line:
        pass
    second = run(place, small_delivery().clock, plain_site)
    night.end()
    found = [] if second.status == 5 and len(second.messages) == 1 else [f"the second: exit {second.status}"]
    return found + _done(night, place)


def many_at_once(place: Place) -> list[str]:
    """Of runs that start together on no store, each is done or exits 5, and the store holds every row once."""
    lay(place.inbox, small_delivery())
    nights = [start(place, small_delivery().clock, plain_site) for _ in range(4)]
    ends = [night.end() for night in nights]
    said = [night.messages[-1:] for night in nights if night.status not in (0, 5)]
    found = [] if 0 in ends and set(ends) <= {0, 5} else [f"exits {ends}: {said}"]
    return found + _done(run(place, small_delivery().clock, plain_site), place)


CASES: dict[str, Callable[[Place], list[str]]] = {
    "the store's folder is read-only": _without(lambda place: place.store.parent, 0o500, (0, 1)),
    "the store is read-only": _without(lambda place: place.store, 0o400),
    "the store is not to be read": _without(lambda place: place.store, 0o000, (1, 2)),
    "the key is not to be read": _without(lambda place: place.store.parent / "scapha.key", 0o000),
    "the lock is not to be written": _without(lambda place: place.store.parent / "shop.duckdb.lock", 0o400),
    "the site's folder is read-only": _without(lambda place: place.site.parent, 0o500),
    "the site's folder is not to be read": _without(lambda place: place.site.parent, 0o300),
    "the site's folder is not to be entered": _without(lambda place: place.site.parent, 0o000),
    "an export is not to be read": _without(lambda place: place.inbox / "procedures_2.csv", 0o000),
    "the inbox is not to be read": _without(lambda place: place.inbox, 0o000, (2,)),
    "nothing is to be made": new_in_a_locked_folder,
    "a second run": second_run,
    "many runs at once": many_at_once,
}


def findings(cases: dict[str, Callable[[Place], list[str]]]) -> dict[str, list[str]]:
    """What is wrong in each case."""
    found = {}
    with tempfile.TemporaryDirectory() as folder:
        Path(folder).chmod(0o755)
        for name, case in cases.items():
            place = Place(Path(folder) / name)
            place.folder.mkdir()
            found[name] = case(place)
    return found


def main() -> int:
    """Take rights away, and print what was found; 1 where there was anything."""
    prepare()
    found = findings(CASES)
    for name, wrong in found.items():
        print(f"{name}: {'; '.join(wrong) or 'well'}")  # noqa: T201
    return any(found.values())


if __name__ == "__main__":
    sys.exit(main())
