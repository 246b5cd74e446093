"""An inbox that holds what is no file, and one that changes while a night reads it.

In the folder `tests`: `python -m faults.moving`
"""

import hashlib
import os
import sys
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

from support.exports import export

from .deliveries import Delivery, lay, small_delivery
from .failing import FAULT
from .rights import findings, short_nights
from .warm import Night, Place, asked, prepare, run

_NAME = "procedures_moving.csv"
_SHORT = export("procedures", {"procedure_id": "M1", "visit_id": "M1"}, {"procedure_id": "M2", "visit_id": "M2"})
_CUT = export("procedures", {"procedure_id": "M1", "visit_id": "M1"})
_LONG = export("procedures", *({"procedure_id": f"M{at}", "visit_id": f"M{at}"} for at in range(1, 4)))


def at_opening(path: Path, nth: int, change: Callable[[], object]) -> Callable[[], None]:
    """A function that lets something happen in its process just before a path is opened for the Nth time."""
    n_opened = 0

    def hook(event: str, arguments: tuple[Any, ...]) -> None:
        nonlocal n_opened
        if event == "open" and isinstance(arguments[0], str | Path) and Path(arguments[0]) == path:
            n_opened += 1
            if n_opened == nth:
                os.write(2, f"{FAULT}{path.name}\n".encode())
                change()

    def arm() -> None:
        short_nights()
        sys.addaudithook(hook)

    return arm


def _delivery() -> Delivery:
    small = small_delivery()
    return replace(small, files=small.files | {_NAME: _SHORT})


def _moving(
    nth: int, change: Callable[[Path], object], in_the_end: int, then: Callable[[Path], object] = lambda _: None
) -> Callable[[Place], list[str]]:
    """A case: a file changes as it is opened for the Nth time; the night after must hold its rows, once each."""

    def case(place: Place) -> list[str]:
        delivery = _delivery()
        lay(place.inbox, delivery)
        path = place.inbox / _NAME
        night = run(place, delivery.clock, at_opening(path, nth, lambda: change(path)))
        found = _ended(night)
        if not any(line.startswith(FAULT) for line in night.messages):
            found.append("the file was never opened so often: this case shows nothing")
        found += _untrue_receipts(place) if place.store.exists() else []
        then(path)
        after = run(place, delivery.clock + timedelta(days=1), short_nights)
        if after.status:
            return [*found, f"the night after exits {after.status}: {after.messages[-1:]}"]
        return found + _untrue_receipts(place) + _held(place, in_the_end)

    return case


def _ended(night: Night) -> list[str]:
    messages = [line for line in night.messages if not line.startswith(FAULT)]
    found = [] if night.status in (0, 1) else [f"exit {night.status}"]
    if any(line.startswith("Traceback") for line in messages):
        found.append(f"a traceback: {messages[-1]}")
    elif night.status and len(messages) != 1:
        found.append(f"{len(messages)} lines")
    return found


def _held(place: Place, rows: int) -> list[str]:
    held = asked(lambda: _query(place, "select procedure_id, count(*) from raw_procedures group by all order by all"))
    ids = [f"M{at}" for at in range(1, rows + 1)] + [f"P{at}" for at in range(1, 6)]
    return [] if held == [[name, 1] for name in ids] else [f"the store holds {held}"]


def _untrue_receipts(place: Place) -> list[str]:
    """Files in the ledger whose number of rows is not that of the bytes whose SHA-256 stands beside it."""
    rows = {hashlib.sha256(text.encode()).hexdigest(): text.count("\n") - 1 for text in (_CUT, _SHORT, _LONG)}
    kept = asked(lambda: _query(place, f"select sha256, rows from file where path = '{_NAME}'"))
    return [
        f"the ledger has {found} rows for bytes that hold {rows.get(sha256, 'none we know')}"
        for sha256, found in kept
        if rows.get(sha256) != found
    ]


def _query(place: Place, query: str) -> list[Any]:
    import duckdb

    with duckdb.connect(str(place.store), read_only=True) as con:
        return con.execute(query).fetchall()


def _write(text: str) -> Callable[[Path], object]:
    return lambda path: path.write_bytes(text.encode())


def _become_a_link(path: Path) -> None:
    secret = path.parent.parent / "outside.csv"
    secret.write_text(_LONG)
    path.unlink()
    path.symlink_to(secret)


def _become_a_pipe(path: Path) -> None:
    path.unlink()
    os.mkfifo(path)


def no_files(place: Place) -> list[str]:
    """Links to files and folders outside, a pipe, a socket's like and a folder named like a file: none is opened."""
    lay(place.inbox, small_delivery())
    outside = place.folder / "outside"
    outside.mkdir()
    (outside / "procedures_out.csv").write_text(_LONG)
    (place.inbox / "procedures_link.csv").symlink_to(outside / "procedures_out.csv")
    (place.inbox / "linked").symlink_to(outside)
    (place.inbox / "procedures_nowhere.csv").symlink_to("nowhere.csv")
    (place.inbox / "procedures_round.csv").symlink_to("procedures_round.csv")
    (place.inbox / "procedures_folder.csv").mkdir()
    os.mkfifo(place.inbox / "procedures_pipe.csv")
    night = run(place, small_delivery().clock, short_nights)
    return _ended(night) + ([f"exit {night.status}"] if night.status else _held(place, 0))


CASES: dict[str, Callable[[Place], list[str]]] = {
    "links, pipes, folders named like files": no_files,
    "a file goes before its fingerprint": _moving(1, Path.unlink, 0),
    "a file goes between fingerprint and reading": _moving(2, Path.unlink, 0),
    "a file becomes a link to one outside": _moving(1, _become_a_link, 0),
    "a file becomes a link between fingerprint and reading": _moving(2, _become_a_link, 0),
    "a file becomes a pipe": _moving(1, _become_a_pipe, 0),
    "a file becomes a pipe between fingerprint and reading": _moving(2, _become_a_pipe, 0),
    "a file grows before its fingerprint": _moving(1, _write(_LONG), 3),
    "a file grows between fingerprint and reading": _moving(2, _write(_LONG), 3),
    "a file is cut short between fingerprint and reading": _moving(2, _write(_CUT), 1),
    "a file is written anew between fingerprint and reading": _moving(2, _write(_CUT), 2, then=_write(_SHORT)),
}


def main() -> int:
    """Change inboxes, and print what was found; 1 where there was anything."""
    prepare()
    found = findings(CASES)
    for name, wrong in found.items():
        print(f"{name}: {'; '.join(wrong) or 'well'}")  # noqa: T201
    return any(found.values())


if __name__ == "__main__":
    sys.exit(main())
