"""The page for readers outside the company: whole quarters of all branches together, without small counts."""

from dataclasses import dataclass
from datetime import date
from typing import Any

import polars as pl

from pipeline.contract import vocabulary as v
from reports import numbers, words
from reports.edition import Edition
from reports.parts import Cell, Table

READS = ("quarter_piercings", "quarter_complications")

KNOWN = "Each quarter stands as it was known 90 days after its end, and is not changed later."
WITHHELD = "withheld"
ALL = "all"
_HEADS = {ALL: "All sites", **{name: text.capitalize() for name, text in words.SITE_GROUP.items()}}
_ORDER = ("any", "infection", *(kind.name for kind in v.KINDS))
"""The groups first, then the kinds."""


@dataclass(frozen=True)
class Quarter:
    """A quarter's name and its complications by site group."""

    name: str
    complications: Table


@dataclass(frozen=True)
class Context:
    """The page's content; without a whole quarter only `not_yet` is filled."""

    not_yet: str = (
        "There is no quarter to tell of yet: one is told 90 days after its end, if the records cover all of it."
    )
    lead: tuple[str, ...] = ()
    overview: Table | None = None
    quarters: tuple[Quarter, ...] = ()
    kinds_words: str = ""
    definitions: tuple[tuple[str, str], ...] = ()
    cautions: tuple[str, ...] = (words.CAUTION_RED_FLAGS, words.CAUTION_ADVICE)


def build(edition: Edition) -> Context:
    """The outside page of an edition, the newest quarter first."""
    piercings, complications = edition.results["quarter_piercings"], edition.results["quarter_complications"]
    if piercings.is_empty():
        return Context()
    names = piercings["quarter"].unique().sort(descending=True)
    return Context(
        lead=(
            "Piercings of all branches together, and what is known of how they healed, by the quarter in which they "
            f"were done. {KNOWN}",
            f"Counts from 1 to {_largest(piercings)} are withheld, and so is every count from which such a "
            "one could be worked out; their shares too. Nought is told.",
        ),
        overview=_overview(piercings, complications),
        quarters=tuple(
            Quarter(quarter_name(quarter), _by_site(quarter, piercings, complications)) for quarter in names
        ),
        kinds_words=(
            "How many piercings had each complication within 30 days, as far as it is known. A piercing may have "
            "several. What takes longer to show, such as scars, is told here only as far as it began in that time. The "
            "range in brackets shows where the true share most likely lies (95 %)."
        ),
        definitions=_definitions(piercings),
    )


def quarter_name(begins: date) -> str:
    """A quarter by its months: January to March 2031."""
    return numbers.months(begins, date(begins.year, begins.month + 2, 1))


def _largest(piercings: pl.DataFrame) -> int:
    """The largest number that is withheld for being small, in any quarter."""
    return int(str(piercings["small_count"].max())) - 1


def _overview(piercings: pl.DataFrame, complications: pl.DataFrame) -> Table:
    """All sites together by quarter: piercings, how many were heard from, infection, any complication."""
    whole = piercings.filter(pl.col("site_group") == ALL).sort("quarter", descending=True)
    rows = tuple(
        (
            quarter_name(row["quarter"]),
            _count(row["procedures"]),
            _share(row["reached"], row["procedures"], row["coverage"], row["coverage_low"], row["coverage_high"]),
            *(
                _events(_one(complications, row["quarter"], complication, ALL), row["procedures"])
                for complication in ("infection", "any")
            ),
        )
        for row in whole.iter_rows(named=True)
    )
    heads = ("Quarter", "Piercings", "Asked and heard from", "Infection known", "Any complication known")
    return Table("All branches and sites", heads, rows, "quarter_piercings.csv", also="quarter_complications.csv")


def _by_site(quarter: date, piercings: pl.DataFrame, complications: pl.DataFrame) -> Table:
    """A quarter's piercings and complications by site group; site groups without a piercing are left out."""
    own = {row["site_group"]: row for row in piercings.filter(pl.col("quarter") == quarter).iter_rows(named=True)}
    groups = [name for name in _HEADS if name in own and own[name]["procedures"] != 0]
    rows: list[tuple[Cell | str, ...]] = [("Piercings", *(_count(own[name]["procedures"]) for name in groups))]
    rows.append(
        (
            "Asked and heard from",
            *(
                _share(row["reached"], row["procedures"], row["coverage"], row["coverage_low"], row["coverage_high"])
                for row in (own[name] for name in groups)
            ),
        )
    )
    rows += [
        (
            words.COMPLICATION[complication].capitalize(),
            *(_events(_one(complications, quarter, complication, name), own[name]["procedures"]) for name in groups),
        )
        for complication in _ORDER
    ]
    heads = ("", *(_HEADS[name] for name in groups))
    caption = f"Piercings of {quarter_name(quarter)}, all branches"
    return Table(caption, heads, tuple(rows), "quarter_complications.csv", also="quarter_piercings.csv")


def _one(complications: pl.DataFrame, quarter: date, complication: str, group: str) -> dict[str, Any]:
    found = complications.filter(quarter=quarter, complication=complication, site_group=group)
    return found.row(0, named=True)


def _count(value: int | None) -> str:
    return WITHHELD if value is None else numbers.count(value)


def _events(row: dict[str, Any], n: int | None) -> Cell | str:
    return _share(row["events"], n, row["rate"], row["wilson_low"], row["wilson_high"])


def _share(part: int | None, n: int | None, rate: float | None, low: float | None, high: float | None) -> Cell | str:
    """A count with its share where both of its counts are told."""
    if part is None:
        return WITHHELD
    if n is None:
        return numbers.count(part)
    if n == 0:
        return "none to count"
    if part == 0:
        return Cell("0", f"could be up to about {numbers.share(high)}")
    return Cell(numbers.count(part), f"{numbers.share(rate)} ({numbers.share_range(low, high)})")


def _definitions(piercings: pl.DataFrame) -> tuple[tuple[str, str], ...]:
    return (
        ("Piercing", "A completed hole. It stands in the quarter in which it was done, by its branch’s own days."),
        (
            "Asked and heard from",
            "The branch asked the client 6 to 44 days after the piercing, and got an answer. Clients who only came by "
            "themselves are not counted here, but their complications are.",
        ),
        (
            "Known complication",
            "Somebody told of it, and it began within 30 days of the piercing. Clients who were not heard from may "
            "have had more: a share of piercings is a lower bound. Nobody has examined every ear.",
        ),
        (
            "Withheld",
            f"From 1 to {_largest(piercings)}, or leaving so few of a whole, or needed to keep another number from "
            f"being worked out. At least {_largest(piercings) + 1} values remain possible for each.",
        ),
        (
            "As known",
            f"{KNOWN} What is recorded after that day does not count. A quarter is told if the records cover it all.",
        ),
    )
