"""Who was reached, and what those who were not could change."""

from typing import Any

import polars as pl

from pipeline.contract import vocabulary as v
from pipeline.stats.follow_up import follow_up_bounds
from pipeline.stats.intervals import wilson
from reports import numbers
from reports.edition import Edition
from reports.parts import Cell, Table
from reports.receipts import receipt
from reports.sections.healing import NOT_YET

HALF_YEAR_WEEKS = 26


def coverage_table(edition: Edition) -> Table:
    """Coverage of the last 26 mature weeks and the 26 before, by branch."""
    mature = edition.results["coverage"].filter("mature")
    weeks = mature["week"].unique().sort(descending=True)
    late, early = weeks.head(HALF_YEAR_WEEKS), weeks.slice(HALF_YEAR_WEEKS, HALF_YEAR_WEEKS)
    rows = []
    for (branch,), own in sorted(mature.partition_by("branch_id", as_dict=True).items()):
        rows.append((str(branch), *(_share_in(own, span) for span in (late, early))))
    heads = ("Branch", f"Last {HALF_YEAR_WEEKS} full weeks", f"{HALF_YEAR_WEEKS} weeks before")
    first = -(-v.INFECTION.window_days // 5)
    last = v.INFECTION.window_days + v.REPORTING_LAG_DAYS
    caption = f"Piercings reached by the branch’s own asking, {first} to {last} days after"
    newest = mature.sort("week", "branch_id", descending=[True, False]).select("week", "branch_id").head(1).to_dicts()
    receipts = receipt(edition, "coverage", **newest[0]) if newest else ()
    return Table(caption, heads, tuple(rows), "coverage.csv", receipts=receipts)


def _share_in(own: pl.DataFrame, weeks: pl.Series) -> Cell | str:
    counted = own.filter(pl.col("week").is_in(weeks.to_list()))
    procedures, reached = int(counted["procedures"].sum()), int(counted["reached"].sum())
    if not procedures:
        return numbers.NONE
    interval = wilson(reached, procedures)
    told = f"{numbers.count(reached)} of {numbers.count(procedures)}"
    return Cell(
        numbers.share(reached / procedures),
        f"{told}; {numbers.share_range(float(interval.low), float(interval.high))}",
    )


def answers_words() -> str:
    """What marks a branch in the table of answers, and how far to trust that."""
    return (
        "A branch is marked where so few or so many answers would come by chance less than once in "
        f"{numbers.count(1 / v.ANSWERS_LEVEL)} times (Fisher’s exact test, by visit). In invented chains of eight "
        "branches where nothing changed, about one mark a year stood; where answers fell from 70 to 50 %, half of the "
        "branches were marked within seven weeks. Fewer answers hide complications: ask first whether clients are "
        "still called."
    )


def answers_table(edition: Edition) -> Table:
    """Each branch's visits of the last weeks answered by now, beside what its half year before would give."""
    rows = tuple(_answers(row) for row in edition.results["answers"].iter_rows(named=True))
    heads = ("Branch", "Visits", "Answered by now", "Usual by now", "Change")
    return Table("Answers of the last eight weeks", heads, rows, "answers.csv", ends_in_words=True)


def _answers(row: dict[str, Any]) -> tuple[Cell | str, ...]:
    change = Cell(f"{row['change']} than usual", is_marked=True) if row["change"] else numbers.NONE
    return row["branch_id"], numbers.count(row["visits"]), numbers.count(row["answered"]), _usual_by_now(row), change


def _usual_by_now(row: dict[str, Any]) -> str:
    """How many of the visits due would be answered as before."""
    before = row["visits_before"]
    return numbers.count(row["due"] * row["answered_before"] / before if before else None)


def changed_answers(edition: Edition) -> list[tuple[str, str, str]]:
    """Branches whose answers changed: the id, `fewer` or `more`, and the counts in words."""
    changed = edition.results["answers"].filter(pl.col("change").is_not_null())
    return [
        (
            row["branch_id"],
            row["change"],
            f"{numbers.count(row['answered'])} of the visits since {numbers.day(row['from_on'])} are answered by now, "
            f"where about {_usual_by_now(row)} are usual",
        )
        for row in changed.iter_rows(named=True)
    ]


def bounds_table(edition: Edition) -> Table:
    """The infected share of each branch as asking found it, as told unasked, and as it could be at most."""
    rates = edition.results["complication_rates"].filter(
        (pl.col("dimension") == "branch") & (pl.col("complication") == "infection")
    )
    rows = tuple(_bounds(edition, row) for row in rates.sort("level").iter_rows(named=True))
    heads = ("Branch", "Infected of those reached", "Told unasked, of the others", "Of all at least", "Of all at most")
    return Table(
        "Infection in the year, and what clients not reached could change", heads, rows, "complication_rates.csv"
    )


def _bounds(edition: Edition, row: dict[str, int | str]) -> tuple[str, ...]:
    events, reached, n, among = (int(row[name]) for name in ("events", "reached", "procedures", "events_reached"))
    branch, unasked = str(row["level"]), events - among
    if edition.is_too_early():
        return branch, NOT_YET, NOT_YET, NOT_YET, NOT_YET
    bounds = follow_up_bounds(events, reached + unasked, n)  # who told unasked is not in doubt either
    return (
        branch,
        _share(among / reached, among, reached) if reached else "none reached",
        f"{numbers.count(unasked)} of {numbers.count(n - reached)}",
        _share(float(bounds.best), events, n) if n else numbers.NONE,
        numbers.share(float(bounds.worst)) if n else numbers.NONE,
    )


def _share(share: float, events: int, n: int) -> str:
    """A share, nought as a count, since it is never certain."""
    return numbers.share(share) if events else f"0 of {numbers.count(n)}"
