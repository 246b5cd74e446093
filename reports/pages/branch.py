"""A branch's own page: its week, how its piercings heal, its practitioners, and the records it can mend."""

from dataclasses import dataclass
from datetime import date
from typing import Any

import polars as pl

from reports import numbers, words
from reports.business import last_complete_week, lines_of, week_table
from reports.edition import Edition
from reports.parts import Figure, Figures, Table
from reports.sections.control import control_figure
from reports.sections.healing import complication_table, infections_figure
from reports.sections.trade import trade_figures

READS = (
    "weekly",
    "attach",
    "revisits",
    "complication_rates",
    "comparison",
    "control_charts",
    "branch_practitioners",
    "record_gaps",
    "branches",
)
GAPS_LISTED = 100


@dataclass(frozen=True)
class Context:
    """The page's content."""

    name: str
    about: str
    lead: tuple[str, ...]
    figures: Table
    charts: tuple[Figure, ...]
    complications: Table
    practitioner_words: str
    practitioners: Table
    gap_words: str
    gaps: Table
    gap_list: Table
    cautions: tuple[str, ...] = (words.CAUTION_SIGNAL, words.CAUTION_RED_FLAGS, words.CAUTION_ADVICE)


def build(edition: Edition, branch_id: str) -> Context:
    """One branch's page of an edition."""
    branch = edition.results["branches"].filter(pl.col("branch_id") == branch_id).row(0, named=True)
    monday = last_complete_week(edition)
    figures = Figures()
    gaps = edition.results["record_gaps"].filter(pl.col("branch_id") == branch_id)
    return Context(
        name=branch["name"] or branch_id,
        about=_about(branch),
        lead=tuple(_lead(edition, branch_id)),
        figures=_week(edition, branch_id, monday),
        charts=_charts(figures, edition, branch_id, monday),
        complications=complication_table(edition, "branch", branch_id, "this branch"),
        practitioner_words=(
            "By code, in the order of the codes: this is no ranking. Few piercings make wide intervals, and who does "
            "more cartilage will see more infection."
        ),
        practitioners=_practitioners(edition, branch_id),
        gap_words=(
            f"Records of the last 364 days in which something is missing or does not fit; the newest {GAPS_LISTED} are "
            "listed. A later export with the mended record closes its gap."
        ),
        gaps=_gap_counts(gaps),
        gap_list=_gap_list(gaps),
    )


def _about(branch: dict[str, Any]) -> str:
    parts = [
        f"Branch {branch['branch_id']}",
        branch["premises"],
        branch["region"],
        words.POLICY.get(branch["follow_up_policy"] or ""),
        f"opened {numbers.day(branch['opened_on'])}" if branch["opened_on"] else None,
        f"data through {numbers.day(branch['data_through'])}" if branch["data_through"] else "no data yet",
        None if branch["known"] else "no list of branches names it",
    ]
    return "; ".join(part for part in parts if part) + "."


def _lead(edition: Edition, branch_id: str) -> list[str]:
    """Whether its infections stand out, and whether that can be told at all."""
    rows = edition.results["comparison"].filter(
        (pl.col("branch_id") == branch_id) & (pl.col("complication") == "infection")
    )
    if rows.is_empty() or rows["expected"][0] < 1:
        return ["Too few piercings are old enough to say how this branch’s heal."]
    row = rows.row(0, named=True)
    told = (
        f"Infections known: {numbers.count(row['observed'])}, where about {row['expected']:.0f} would be expected "
        "of its case mix."
    )
    if not row["comparable"]:
        return [told, f"It cannot be compared with other branches: {row['reason']}."]
    if row["ratio"] > row["limit_high_998"]:
        return [told, "That is more than chance explains. Look first at how many were reached, then at what changed."]
    if row["ratio"] < row["limit_low_998"]:
        return [told, "That is fewer than chance explains. Look first at how many were reached."]
    return [told, "The difference is no more than chance explains."]


def _week(edition: Edition, branch_id: str, monday: date | None) -> Table:
    if monday is None:
        return Table("There is not yet a whole week of data", ("", ""), ())
    return week_table(lines_of(edition, "branch", branch_id), monday, "weekly.csv")


def _charts(figures: Figures, edition: Edition, branch_id: str, monday: date | None) -> tuple[Figure, ...]:
    lines = lines_of(edition, "branch", branch_id)
    trade = trade_figures(figures, lines, monday, "this branch") if monday and lines[0].values else ()
    healing = (
        infections_figure(figures, edition, branch_id, "this branch"),
        control_figure(figures, edition, "branch", branch_id),
    )
    return (*trade, *(figure for figure in healing if figure))


def _practitioners(edition: Edition, branch_id: str) -> Table:
    rows = tuple(
        (
            row["practitioner_id"],
            words.SITE_GROUP.get(row["site_group"], row["site_group"]),
            numbers.share_of(row["events"], row["procedures"], row["rate"], row["wilson_low"], row["wilson_high"]),
            numbers.share(row["reached"] / row["procedures"]),
        )
        for row in edition.results["branch_practitioners"]
        .filter(pl.col("branch_id") == branch_id)
        .iter_rows(named=True)
    )
    heads = ("Practitioner", "Site group", "Infected", "Reached")
    return Table("Infection by practitioner and site group", heads, rows, "branch_practitioners.csv", n_text=2)


def _gap_counts(gaps: pl.DataFrame) -> Table:
    counts = dict(gaps.group_by("gap").len().iter_rows())
    rows = tuple((text.capitalize(), numbers.count(counts[gap])) for gap, text in words.GAP.items() if gap in counts)
    return Table("Gaps by kind", ("Gap", "Piercings"), rows, "record_gaps.csv")


def _gap_list(gaps: pl.DataFrame) -> Table:
    listed = (
        gaps.group_by("procedure_id", "performed_on")
        .agg(pl.col("gap").sort())
        .sort("performed_on", "procedure_id", descending=[True, False])
        .head(GAPS_LISTED)
    )
    rows = tuple(
        (row["procedure_id"], numbers.short_day(row["performed_on"]), "; ".join(words.GAP[gap] for gap in row["gap"]))
        for row in listed.iter_rows(named=True)
    )
    return Table("The newest of them", ("Piercing", "Day", "What is missing"), rows, "record_gaps.csv", n_text=3)
