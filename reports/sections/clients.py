"""Complications by client: several piercings of one client fare alike, and tell less than their number."""

from typing import Any

from pipeline.contract import vocabulary as v
from reports import numbers, words
from reports.edition import Edition
from reports.parts import Cell, Table
from reports.receipts import receipt
from reports.sections.healing import NOT_YET


def client_table(edition: Edition) -> Table:
    """Each watched complication by piercing, with both intervals, and by client."""
    by_name = {row["complication"]: row for row in edition.results["client_shares"].iter_rows(named=True)}
    windows = {complication.name: complication.window_days for complication in v.COMPLICATIONS}
    rows = tuple(
        (
            words.COMPLICATION[name].capitalize(),
            *_cells(by_name[name], is_too_early=edition.is_too_early(windows[name])),
        )
        for name in v.WATCHED
        if name in by_name
    )
    heads = ("", "Piercings affected", "Range if each were alone", "Range as clients have them", "Clients affected")
    return Table(
        "Complications by client, all branches, in the 364 days that are old enough",
        heads,
        rows,
        "client_shares.csv",
        receipts=receipt(edition, "client_shares", complication=v.INFECTION.name),
    )


def _cells(row: dict[str, Any], *, is_too_early: bool) -> tuple[Cell | str, ...]:
    if is_too_early:
        return (NOT_YET,) * 4
    return (
        _share(row["events"], row["procedures"], row["rate"]),
        numbers.share_range(row["wilson_low"], row["wilson_high"]),
        numbers.share_range(row["clustered_low"], row["clustered_high"]),
        _share(row["clients_with"], row["clients"], row["client_rate"]),
    )


def _share(events: int, n: int, share: float) -> Cell | str:
    """A share with its counts; nought as a count alone, since it is never certain."""
    told = f"{numbers.count(events)} of {numbers.count(n)}"
    return Cell(numbers.share(share), told) if events else told
