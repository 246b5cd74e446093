"""Which files of the inbox need reading this run: those of unknown bytes, and known ones with rejected rows."""

from dataclasses import dataclass

from pipeline.intake.inbox import Export, Stamp, fingerprint
from pipeline.store.ledger import Ledger


@dataclass(frozen=True)
class Arrival:
    """A file to be read this run.

    `is_new` files enter the ledger; the others are known, and read only for their rejected rows. `recheck`, where the
    file's bytes are known, names the lines that stand rejected: only these are checked, the others are duplicates.
    """

    export: Export
    file_id: int
    is_new: bool
    sha256: str
    size: int
    stamp: Stamp
    recheck: frozenset[int] | None = None


@dataclass(frozen=True)
class Repeat:
    """A file that brings the same bytes as an earlier file of this run: it need not be read again."""

    arrival: Arrival
    first_file_id: int


def look_for_arrivals(exports: tuple[Export, ...], ledger: Ledger) -> tuple[list[Arrival], list[Repeat]]:
    """The files to read, numbered in path order, and the repeats among them.

    A known file that was read and has no rejected row needs no second look.
    """
    arrivals: list[Arrival] = []
    repeats: list[Repeat] = []
    first_of_bytes: dict[tuple[str, str, str, str, bool], int] = {}
    next_id = ledger.next_file_id()
    for export in exports:
        sha256, size, stamp = fingerprint(export)
        known = ledger.find(export.name, export.table.name, sha256)
        twin = known or ledger.find_bytes(export.table.name, sha256, export.mapping)
        recheck = ledger.rejected_lines(twin.file_id) if twin and twin.is_readable else None
        if known is None:
            arrival = Arrival(export, next_id, True, sha256, size, stamp, recheck)
            next_id += 1
        elif recheck or not known.is_readable:
            arrival = Arrival(export, known.file_id, not known.is_readable, sha256, size, stamp, recheck)
        else:
            continue
        as_read = (export.table.name, sha256, export.mapping, export.form, export.gzipped)
        earlier = first_of_bytes.setdefault(as_read, arrival.file_id)
        if earlier != arrival.file_id:
            repeats.append(Repeat(arrival, earlier))
        else:
            arrivals.append(arrival)
    return arrivals, repeats
