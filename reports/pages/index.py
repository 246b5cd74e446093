"""The owner's week: three sentences, what needs doing, and the figures against the weeks before."""

from dataclasses import dataclass
from datetime import date, timedelta

import polars as pl

from reports import numbers, words
from reports.business import branch_aftercare, branch_visits, last_complete_week, lines_of, week_table
from reports.edition import Edition
from reports.parts import Cell, Figure, Figures, Table
from reports.receipts import week_receipts
from reports.sections.healing import complication_table, rate_cells
from reports.sections.infections import infections_figure
from reports.sections.moves import moves_table
from reports.sections.trade import trade_figures
from reports.to_do import ToDo, to_do
from reports.week_words import how_sure, what_changed, what_to_do

READS = (
    "control_charts",
    "incidents",
    "weekly",
    "attach",
    "revisits",
    "complication_rates",
    "exposures",
    "cause_branches",
    "branches",
    "record_gaps",
    "rejected_rows",
    "intake",
    "file_volumes",
    "calls",
    "packs",
    "week_moves",
    "answers",
)


OWNERS_COMPLICATIONS = ("infection", "any", "contact_allergy", "embedded_stud", "excess_bleeding")
"""What an owner reads every week; the watch has every kind."""


@dataclass(frozen=True)
class Context:
    """The page's content; without a whole week of data only `not_yet` is filled."""

    week: str = ""
    through: str = ""
    not_yet: str = ""
    sentences: tuple[str, ...] = ()
    to_do: tuple[ToDo, ...] = ()
    figures: Table | None = None
    charts: tuple[Figure, ...] = ()
    moves: Table | None = None
    healing: Table | None = None
    infections: Figure | None = None
    branches: Table | None = None
    cautions: tuple[str, ...] = (words.CAUTION_SIGNAL, words.CAUTION_RED_FLAGS, words.CAUTION_ADVICE)


def build(edition: Edition) -> Context:
    """The owner's page of an edition."""
    monday = last_complete_week(edition)
    if monday is None:
        why = "No piercing has come in yet." if edition.data_from is None else "There is not yet a whole week of data."
        return Context(not_yet=f"{why} The page fills as exports arrive.")
    lines = lines_of(edition, "all", "all")
    gaps = edition.results["record_gaps"].filter(pl.col("performed_on").is_between(monday, monday + timedelta(days=6)))
    figures = Figures()
    return Context(
        week=numbers.week(monday),
        through=data_through(edition),
        sentences=(what_changed(lines, monday), how_sure(edition), what_to_do(edition, gaps.height)),
        to_do=to_do(edition, gaps),
        figures=week_table(lines, monday, "weekly.csv", week_receipts(edition, "all", "all", monday)),
        charts=trade_figures(figures, lines, monday, "all branches"),
        moves=moves_table(edition),
        healing=complication_table(edition, "all", "all", "all branches", OWNERS_COMPLICATIONS),
        infections=infections_figure(figures, edition, None, "all branches"),
        branches=_branch_table(edition, monday),
    )


def data_through(edition: Edition) -> str:
    """To which day the data reaches, and how much of it was set aside."""
    refused = edition.results["rejected_rows"].select("file", "sha256", "table", "line").n_unique()
    aside = f"{words.plural(refused, 'row or file', 'rows or files')} set aside" if refused else "no row set aside"
    return f"Data through {numbers.day(edition.as_of)}; {aside}."


def _branch_table(edition: Edition, monday: date) -> Table:
    """Each branch's week in one row."""
    rates = edition.results["complication_rates"].filter(
        (pl.col("dimension") == "branch") & (pl.col("complication") == "infection")
    )
    by_branch = {row["level"]: row for row in rates.iter_rows(named=True)}
    visits_of, aftercare_of = branch_visits(edition, monday), branch_aftercare(edition, monday)
    rows = []
    for branch, name, through in edition.results["branches"].select("branch_id", "name", "data_through").iter_rows():
        line = visits_of(branch)
        visits = line.values.get(monday, 0 if through and through >= monday else None)
        bought, provided = aftercare_of.get(branch, (None, None))
        infection = rate_cells(edition, by_branch[branch]) if branch in by_branch else (numbers.NONE,) * 3
        rows.append(
            (
                Cell(name or branch, branch if name else "", f"branch/{numbers.page_link(branch)}"),
                Cell(numbers.count(visits), line.in_words(monday)),
                numbers.share(bought),
                numbers.share(provided),
                infection[0],
                infection[2],
                numbers.short_day(through),
            )
        )
    heads = (
        "Branch",
        "Visits",
        "Bought aftercare",
        "Left with aftercare",
        "Infection in the year",
        "Reached",
        "Data through",
    )
    told = edition.results["weekly"].filter(pl.col("week") == monday)["branch_id"].sort().to_list()
    receipts = week_receipts(edition, "branch", told[0], monday) if told else ()
    return Table(f"Branches in the week {numbers.week(monday)}", heads, tuple(rows), "weekly.csv", receipts=receipts)
