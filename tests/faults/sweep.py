"""Let the first call that writes fail, then the second, and so on until a night gets by, and see what is left.

In the folder `tests`: `python -m faults.sweep [whole] [NIGHT]… [FAULT]…`, as in `faults.sweep "later night" FULL 3`,
which takes every third call. With `whole` the real pages are drawn, else two short ones.

A night that fails must exit 1 with one line for the user, and leave store and site as they were; one that is killed,
the last site or the new one. A plain rerun must mend everything. Exits 1 where anything was otherwise.

One call is let off: the rename that puts a site in place comes after the commit, which it cannot undo. Should it fail,
the store is new and the site is old, and the next night puts the site in place.
"""

import shutil
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from unittest.mock import patch

from support.exports import export

from .deliveries import Delivery, lay, small_delivery
from .failing import FAULT, Fault, failing
from .warm import Night, Place, prepare, run
from .whole import Dump, dump, left_about, lost_or_doubled, published

NEW_STORE = "the store is not as it was"


@dataclass(frozen=True)
class Stand:
    """What stands: the site's digest and the store's content."""

    site: str
    store: Dump


@dataclass(frozen=True)
class Case:
    """A call that failed, how the night ended, what it said, and what was wrong with it or with what it left."""

    call: str
    status: int | None
    messages: tuple[str, ...]
    findings: tuple[str, ...]


@dataclass(frozen=True)
class Setting:
    """A night to let fail: the folder as it stands before, and after a night that nothing happens to."""

    origin: Path
    delivery: Delivery
    before: Stand
    after: Stand


def stand(place: Place) -> Stand:
    """What stands at a place."""
    return Stand(published(place.site), dump(place.store))


def settings(folder: Path, first: Callable[[], None]) -> list[tuple[str, Setting]]:
    """A first night, and a later one with something new; `first` is done in every night's process."""
    deliveries = [small_delivery()]
    later = export("procedures", {"procedure_id": "P9", "visit_id": "V9", "site": "helix"})
    deliveries.append(Delivery({"procedures_2.csv": later}, deliveries[0].clock + timedelta(days=1)))
    found = []
    place = Place(folder / "unharmed")
    place.folder.mkdir()
    for name, delivery in zip(("first night", "later night"), deliveries, strict=True):
        lay(place.inbox, delivery)
        origin = folder / name
        shutil.copytree(place.folder, origin, symlinks=True)
        before = stand(place)
        if run(place, delivery.clock, first).status:
            raise RuntimeError("a night fails by itself")
        found.append((name, Setting(origin, delivery, before, stand(place))))
    return found


def fail_at(setting: Setting, nth: int, fault: Fault, first: Callable[[], None]) -> Case | None:
    """Let a night's Nth call fail, and run it again; None where it has no such call."""
    with tempfile.TemporaryDirectory(dir=setting.origin.parent) as name:
        place = Place(Path(name) / "here")
        shutil.copytree(setting.origin, place.folder, symlinks=True)
        arm = failing(place.folder, nth, fault)

        def prepared() -> None:
            first()
            arm()

        night = run(place, setting.delivery.clock, prepared)
        calls = [line.removeprefix(FAULT) for line in night.messages if line.startswith(FAULT)]
        if not calls:
            return None
        messages = tuple(line for line in night.messages if not line.startswith(FAULT))
        left = left_by(place, setting, night)
        if calls[0] == "os.rename .site.link" and left == [NEW_STORE]:
            left = []
        findings = [*told_by(night, messages, fault), *left, *mended_by(place, setting, first)]
        return Case(calls[0], night.status, messages, tuple(findings))


def told_by(night: Night, messages: tuple[str, ...], fault: Fault) -> list[str]:
    """What is wrong with how a night ended and with what it said."""
    if fault is Fault.KILL:
        return [] if night.status == -9 else [f"exit {night.status} instead of a kill"]
    found = [] if night.status in (0, 1) else [f"exit {night.status}"]
    if any(line.startswith("Traceback") for line in messages):
        found.append("a traceback")
    elif night.status and len(messages) != 1:
        found.append(f"{len(messages)} lines")
    return found


def left_by(place: Place, setting: Setting, night: Night) -> list[str]:
    """What is wrong with what a night left."""
    try:
        site = published(place.site)
    except ValueError as problem:
        return [str(problem)]
    if night.status == -9:  # its store is for the rerun to recover: looking into it would do that here
        return [] if site in (setting.before.site, setting.after.site) else ["a site neither old nor new"]
    wanted = setting.after if night.status == 0 else setting.before
    found = (
        [] if site == wanted.site else ["the site is not as it was" if night.status else "the site is not the new one"]
    )
    if dump(place.store) != wanted.store:
        found.append(NEW_STORE if night.status else "the store is not the new one")
    return found


def mended_by(place: Place, setting: Setting, first: Callable[[], None]) -> list[str]:
    """What a plain rerun does not mend."""
    night = run(place, setting.delivery.clock, first)
    if night.status:
        return [f"the rerun exits {night.status}: {night.messages[-1]}"]
    found = [f"after the rerun {it}" for it in lost_or_doubled(dump(place.store), setting.after.store)]
    if published(place.site) != setting.after.site:
        found.append("after the rerun another site")
    return found + [f"after the rerun lies about: {it}" for it in left_about(place)]


def sweep(setting: Setting, fault: Fault, first: Callable[[], None], stride: int) -> dict[int, Case]:
    """Let every call, or every third or so, fail in turn; the cases by the call's number."""
    cases: dict[int, Case] = {}
    nth = stride
    while case := fail_at(setting, nth, fault, first):
        cases[nth] = case
        nth += stride
    return cases


def plain_site() -> None:
    """Let this process's nights publish two short pages."""
    from pipeline import nightly

    def build(edition: object, folder: Path) -> None:
        (folder / "tables").mkdir(mode=0o700)
        (folder / "index.html").write_text(repr(edition))
        (folder / "tables" / "intake.csv").write_text("file\n" * 3000)

    patch.object(nightly, "build_site", build).start()


def main(*words: str) -> int:
    """Sweep, and print what was found; 1 where there was anything. Words choose nights, faults, a stride; none, all."""
    prepare()
    first = (lambda: None) if "whole" in words else plain_site
    faults = [fault for fault in Fault if fault.name in words] or list(Fault)
    stride = next((int(word) for word in words if word.isdigit()), 1)
    n_bad = 0
    with tempfile.TemporaryDirectory() as folder:
        nights = settings(Path(folder), first)
        for name, setting in [night for night in nights if night[0] in words] or nights:
            for fault in faults:
                cases = sweep(setting, fault, first, stride)
                bad = [(at, case) for at, case in cases.items() if case.findings]
                n_bad += len(bad)
                print(f"{name}, {fault.value}: {len(cases)} calls, {len(bad)} with findings")  # noqa: T201
                for at, case in bad:
                    said = f" | {case.messages[-1]}" if case.messages else ""
                    print(f"  {at} {case.call}, exit {case.status}: {'; '.join(case.findings)}{said}")  # noqa: T201
    return bool(n_bad)


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
