"""A trace in lines for people."""

from collections.abc import Iterator
from typing import Any

from pipeline.judge.tracing import HEARD, REACHED
from pipeline.telling import aligned
from pipeline.trace import CAUTIONS, Trace, report_words
from reports import numbers, words

NOT_KNOWN = "not known"

_HEAD = ("branch", "exposed", "reached", "not asked", "infected", "any complication", "infected, of those old enough")
_STOCK = (
    *("branch", "received", "used", "spoiled", "should be there", "counted on", "on the shelf", "used since"),
    "unexplained",
)
_LINE = ("branch", "day", "visit", "piercing", "by", "ear", "site", "age", "article", "lot", "asked", "reported")


def trace_lines(trace: Trace) -> Iterator[str]:
    """What was exposed and how it fares, the packs, the piercings one by one, and the cautions."""
    if not trace.not_known:
        title = words.named(trace.dimension, trace.level)
        yield f"{title[:1].upper()}{title[1:]}, as known by {numbers.day(trace.as_of)}"
        if trace.dimension in ("lot", "batch"):
            yield from ("", *aligned([_HEAD, *map(_head_cells, trace.head.iter_rows(named=True))]))
        if trace.alike:
            yield f"Lots of nearly that name that no delivery names, perhaps the same: {', '.join(trace.alike)}"
    if not trace.stock.is_empty():
        yield from ("", "Packs, as far as records tell")
        yield from aligned([_STOCK, *map(_stock_cells, trace.stock.iter_rows(named=True))])
    if not trace.lines.is_empty():
        yield from ("", *_exposed(trace))
    yield from ("", *CAUTIONS)


def _exposed(trace: Trace) -> Iterator[str]:
    told = trace.told
    rows = [_line_cells(row, told.get(row["procedure_id"], [])) for row in trace.lines.iter_rows(named=True)]
    yield from aligned([_LINE, *rows])
    yield ""
    for branch, visits in trace.not_asked.items():
        yield f"Not asked yet, {branch}: {', '.join(visits)}"
    yield f"Exposed to lots: {', '.join(trace.lots) or 'none recorded'}"
    yield f"Exposed to aftercare batches: {', '.join(trace.batches) or 'none recorded'}"


def _head_cells(row: dict[str, Any]) -> list[str]:
    names = ("exposed", "reached", "not_asked", "infected", "with_complication")
    figures = (row["mature_infected"], row["mature"], row["rate"], row["wilson_low"], row["wilson_high"])
    return [row["branch_id"] or "all", *(numbers.count(row[name]) for name in names), numbers.share_of(*figures)]


def _stock_cells(row: dict[str, Any]) -> list[str]:
    should_be = _packs(row["should_be"])
    if row["should_be"] is None and row["at_most"] is not None:
        should_be = f"at most {_packs(row['at_most'])}"
    return [
        row["branch_id"] or "whole chain",
        *(_packs(row[name]) for name in ("received", "used", "spoiled")),
        should_be,
        numbers.short_day(row["counted_on"]) if row["counted_on"] else NOT_KNOWN,
        *(_packs(row[name]) for name in ("on_hand", "used_since", "unexplained")),
    ]


def _packs(number: int | None) -> str:
    return NOT_KNOWN if number is None else numbers.count(number)


def _line_cells(row: dict[str, Any], reports: list[dict[str, Any]]) -> list[str]:
    names = ("practitioner_id", "ear", "site", "age_band", "article_id", "lot_no")
    days = {REACHED: row["reached_on"], HEARD: row["last_answered_on"]}
    day = days.get(row["contact"], row["last_asked_on"])
    return [
        *(row["branch_id"], row["performed_on"].isoformat(), row["visit_id"], row["procedure_id"]),
        *(row[name] or numbers.NONE for name in names),
        f"{row['contact']} {day}" if day else row["contact"],
        "; ".join(map(report_words, reports)),
    ]
