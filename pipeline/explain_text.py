"""A receipt in lines for people, and the list of what can be explained."""

from collections.abc import Iterator
from textwrap import wrap
from typing import Any

from pipeline.explain import FOR_INSIDE, Receipt
from pipeline.receipts.figures import EXPLAINED, Explained
from pipeline.telling import aligned
from reports import numbers, words

_WIDTH = 100
_COUNTED = ("day", "branch", "visit", "what", "counts in", "file", "line")

_LEFT_OUT = ("day", "branch", "record", "why", "file", "line")


def receipt_lines(receipt: Receipt) -> Iterator[str]:
    """The figure with its definition, what it counts with the records that goes by, and what is left out and why."""
    explained = receipt.figure.explained
    yield f"{receipt.figure.name}, as known by {numbers.day(receipt.as_of)}"
    yield from wrap(explained.says, _WIDTH)
    yield f"More: {explained.link}. {FOR_INSIDE}"
    yield ""
    yield from aligned([(name, _figure(value)) for name, value in receipt.counts.items()])
    yield from ("", f"Counted: {words.plural(receipt.counted.height, 'line')}, the records each goes by below it")
    yield from aligned([_COUNTED, *_counted_rows(receipt)])
    yield from ("", *_left_out(receipt))


def _figure(value: Any) -> str:
    if value is None:
        return "in another row of this week"
    return numbers.count(value) if isinstance(value, int) else numbers.money(value)


def _counted_rows(receipt: Receipt) -> Iterator[tuple[str, ...]]:
    records: dict[tuple[str, str], list[dict[str, Any]]] = {}
    for row in receipt.records.iter_rows(named=True):
        records.setdefault((row["item"], row["item_id"]), []).append(row)
    for row in receipt.counted.iter_rows(named=True):
        amount = f" {numbers.money(row['amount'])}" if row["amount"] else ""
        yield (
            *(_cell(row["told_on"]), _cell(row["branch_id"]), _cell(row["visit_id"]), f"{row['item']} {_key(row)}"),
            *(f"{row['counts_in']}{amount}" or "adds nothing", row["file"] or "", _cell(row["line"] or "")),
        )
        for record in records.get((row["item"], row["id"]), ()):
            kind = words.RECORD[record["table_name"]]
            yield ("", "", "", f"  {kind} {_key(record)}", record["says"], record["file"], str(record["line"]))


def _left_out(receipt: Receipt) -> Iterator[str]:
    told = "; ".join(f"{reason} {number:,}" for reason, number in receipt.reasons.items())
    yield f"Left out: {told or 'nothing'}"
    rows = [
        (
            *(_cell(row["told_on"]), _cell(row["branch_id"])),
            f"{words.RECORD[row['table_name']]} {_key(row)}",
            f"{row['reason']}: {row['detail']}" if row["detail"] else row["reason"],
            *(row["file"], str(row["line"])),
        )
        for row in receipt.left_out.iter_rows(named=True)
    ]
    if rows:
        yield from aligned([_LEFT_OUT, *rows])
    if receipt.n_unplaced:
        lines = words.plural(receipt.n_unplaced, "line")
        yield f"{lines} refused of which nobody can tell whether they are of this figure."


def _key(row: dict[str, Any]) -> str:
    if row["id"] is None:
        return "of no known id"
    return f"{row['id']} line {row['line_no']}" if row["line_no"] is not None else str(row["id"])


def _cell(value: object) -> str:
    return numbers.NONE if value is None else str(value)


def explained_rows() -> list[dict[str, Any]]:
    """What can be explained, for JSON."""
    return [
        {
            "table": one.table,
            "name": one.form,
            "columns": [*one.counts, *one.amounts],
            "definition": one.says,
            "example": one.example,
        }
        for one in EXPLAINED
    ]


def explained_lines() -> Iterator[str]:
    """What can be explained: how a figure of each table is named, what it explains, and an example."""
    yield "A figure is a row of a published table, named by the table and what tells the row apart; a part may be left"
    yield "out as long as one row is meant."
    for one in EXPLAINED:
        yield from ("", *_explained(one))


def _explained(one: Explained) -> Iterator[str]:
    yield one.form
    yield f"  explains {', '.join((*one.counts, *one.amounts))}"
    yield from wrap(one.says, _WIDTH, initial_indent="  ", subsequent_indent="  ")
    yield f"  scapha explain '{one.example}'"
