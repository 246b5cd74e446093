"""A branch's own page: its week, how its piercings heal, its practitioners, and the records it can mend."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import polars as pl

from pipeline.stats import standardise
from reports import numbers, words
from reports.business import Line, last_complete_week, lines_of, week_table
from reports.call_words import ASK, GROUP, RED_FLAG, why
from reports.edition import Edition
from reports.findings import Finding, findings
from reports.locales import isolated
from reports.parts import MOST_BRANCHES, Cell, Figure, Figures, Table
from reports.receipts import receipt, week_receipts
from reports.sections.control import control_figure
from reports.sections.healing import complication_table, practitioner_share
from reports.sections.infections import completed_figure
from reports.sections.trade import trade_figures

READS = (
    "incidents",
    "weekly",
    "completion",
    "attach",
    "revisits",
    "complication_rates",
    "comparison",
    "exposures",
    "cause_branches",
    "control_charts",
    "branch_practitioners",
    "record_gaps",
    "branches",
    "calls",
    "packs",
)
GAPS_LISTED = 100
CALLS_LISTED = 15
"""Calls on the page, and all for medical care today however many; the table's file has the others."""
CALL_WORDS = (
    "The most urgent first, by visit. What comes of a call goes into the follow-ups and counts from the next night on. "
    "Who did not answer three times, or wants no calls, is left alone unless it is for medical care today."
)
PACK_WORDS = (
    "By the latest count, what came and went since, and how fast the article went in the last eight weeks. What expires"
    " first is used first; a pack past its date is not used at all."
)
NOT_COMPARED = (
    "How this branch’s piercings heal is not compared here: too few are old enough, or only one other branch stands "
    "beside it."
)
LOOK_FIRST = "Look first at how many were reached, then at what changed."


@dataclass(frozen=True)
class Context:
    """The page's content."""

    name: str
    about: str
    lead: tuple[str, ...]
    call_words: tuple[str, ...]
    calls: Table | None
    met: Table | None
    figures: Table
    charts: tuple[Figure, ...]
    complications: Table
    practitioner_words: str
    practitioners: Table
    pack_words: str
    packs: Table | None
    gap_words: str
    gaps: Table
    gap_list: Table
    cautions: tuple[str, ...] = (words.CAUTION_SIGNAL, words.CAUTION_RED_FLAGS, words.CAUTION_ADVICE)


@dataclass(frozen=True)
class Chain:
    """What a branch's page takes of the whole chain: what stands out there, and whether its branches are very many."""

    found: Sequence[Finding]
    is_large: bool


def chain_of(edition: Edition) -> Chain:
    """What the branches' pages of an edition take of the whole chain."""
    return Chain(findings(edition), edition.results["branches"].height > MOST_BRANCHES)


def build(edition: Edition, branch_id: str, chain: Chain | None = None) -> Context:
    """One branch's page of an edition, which need hold no other branch's rows where `chain` is given."""
    chain = chain or chain_of(edition)
    branch = edition.results["branches"].filter(pl.col("branch_id") == branch_id).row(0, named=True)
    monday = last_complete_week(edition)
    lines = lines_of(edition, "branch", branch_id)
    figures = Figures()
    gaps = edition.results["record_gaps"].filter(pl.col("branch_id") == branch_id)
    calls = edition.results["calls"].filter(pl.col("branch_id") == branch_id).sort("urgency", "due_on", "visit_id")
    return Context(
        name=branch["name"] or branch_id,
        about=_about(branch),
        lead=tuple(_lead(edition, branch_id)),
        call_words=(CALL_WORDS, *_asked(calls)),
        calls=_calls(calls),
        met=_met_here(edition, branch_id, chain.found),
        figures=_week(edition, branch_id, monday, lines),
        charts=(
            *(() if chain.is_large else _trade_charts(figures, monday, lines)),
            *_infection_charts(figures, edition, branch_id),
        ),
        complications=complication_table(edition, "branch", branch_id, "this branch"),
        practitioner_words=words.NO_RANKING,
        practitioners=_practitioners(edition, branch_id),
        pack_words=PACK_WORDS,
        packs=_packs(edition, branch_id),
        gap_words=(
            f"Records of the last 364 days in which something is missing or does not fit; the newest {GAPS_LISTED} are "
            "listed. A later export with the mended record closes its gap."
        ),
        gaps=_gap_counts(gaps),
        gap_list=_gap_list(gaps),
    )


def _about(branch: dict[str, Any]) -> str:
    parts = [
        f"Branch {isolated(branch['branch_id'])}",
        isolated(branch["premises"] or ""),
        isolated(branch["region"] or ""),
        words.POLICY.get(branch["follow_up_policy"] or ""),
        f"opened {numbers.day(branch['opened_on'])}" if branch["opened_on"] else None,
        f"data through {numbers.day(branch['data_through'])}" if branch["data_through"] else words.no_data_since(None),
        None if branch["known"] else "no list of branches names it",
    ]
    return "; ".join(part for part in parts if part) + "."


def _lead(edition: Edition, branch_id: str) -> list[str]:
    """Whether its infections stand out, and whether that can be told at all."""
    rows = edition.results["comparison"].filter(
        (pl.col("branch_id") == branch_id) & (pl.col("complication") == "infection")
    )
    if rows.is_empty():
        return [NOT_COMPARED]
    if edition.is_too_early() or rows["expected"][0] < standardise.LEAST_EXPECTED:
        return ["Too few piercings are old enough to say how this branch’s heal."]
    row = rows.row(0, named=True)
    told = (
        f"Infections known: {numbers.count(row['observed'])}, where about {numbers.count(row['expected'])} would be "
        "expected of its case mix."
    )
    if not row["comparable"]:
        return [told, f"It cannot be compared with other branches: {row['reason']}. A low share may only mean that."]
    if row["ratio"] > row["limit_high_998"]:
        return [told, f"That is more than chance explains ({words.outer_limits()}). {LOOK_FIRST}"]
    if row["ratio"] < row["limit_low_998"]:
        return [told, f"That is fewer than chance explains ({words.outer_limits()}). {LOOK_FIRST}"]
    return [told, f"Over the year as a whole, the difference is no more than chance explains ({words.outer_limits()})."]


def _asked(calls: pl.DataFrame) -> list[str]:
    """What to ask, for each reason that a call has."""
    return [f"{GROUP[reason]}: {ask}" for reason, ask in ASK.items() if reason in calls["reason"]]


def _calls(due: pl.DataFrame) -> Table | None:
    """The follow-ups a branch should make, the most urgent first; None where there is none."""
    if due.is_empty():
        return None
    n_red = due.filter(pl.col("reason") == RED_FLAG).height
    rows = tuple(
        (row["visit_id"], _why(row), numbers.short_day(row["since"]), numbers.short_day(row["due_on"]))
        for row in due.head(max(CALLS_LISTED, n_red)).iter_rows(named=True)
    )
    first = f"The first {numbers.count(len(rows))} of {numbers.count(due.height)}"
    listed = first if due.height > len(rows) else "All that are due"
    return Table(listed, ("Visit", "Why", "Since", "By"), rows, "calls.csv", n_text=2)


def _why(call: dict[str, Any]) -> Cell:
    text = why(call["reason"], call["about"])
    return Cell(f"{text[0].upper()}{text[1:]}", is_marked=call["reason"] == RED_FLAG)


def _met_here(edition: Edition, branch_id: str, found: Sequence[Finding]) -> Table | None:
    """Possible causes that stand out in the chain and were met at this branch, with its own counts."""
    here = edition.results["cause_branches"].filter(pl.col("branch_id") == branch_id)
    rows = []
    for finding in found:
        own = here.filter(
            (pl.col("complication") == finding.complication)
            & (pl.col("dimension") == finding.dimension)
            & (pl.col("level") == finding.level)
        )
        for row in own.iter_rows(named=True):
            name = Cell(finding.name[0].upper() + finding.name[1:], words.COMPLICATION[finding.complication])
            days = f"{numbers.short_day(row['used_from'])} to {numbers.short_day(row['used_to'])}"
            rows.append((name, numbers.count(row["procedures"]), numbers.count(row["events"]), days))
    if not rows:
        return None
    heads = ("What", "Piercings here, old enough", "Known cases here", "Days here")
    return Table(
        "A reason to look, not a finding; the quality lead knows more", heads, tuple(rows), "cause_branches.csv"
    )


def _week(edition: Edition, branch_id: str, monday: date | None, lines: list[Line]) -> Table:
    if monday is None:
        return Table("There is not yet a whole week of data", ("", ""), ())
    receipts = week_receipts(edition, "branch", branch_id, monday)
    return week_table(lines, monday, "weekly.csv", receipts)


def _trade_charts(figures: Figures, monday: date | None, lines: list[Line]) -> tuple[Figure, ...]:
    return trade_figures(figures, lines, monday, "this branch") if monday and lines[0].values else ()


def _infection_charts(figures: Figures, edition: Edition, branch_id: str) -> Iterator[Figure]:
    completed = completed_figure(figures, edition, branch_id, "this branch")
    control = control_figure(figures, edition, "branch", branch_id)
    return (figure for figure in (completed, control) if figure)


def _practitioners(edition: Edition, branch_id: str) -> Table:
    own = edition.results["branch_practitioners"].filter(pl.col("branch_id") == branch_id)
    rows = tuple(
        (
            row["practitioner_id"],
            words.SITE_GROUP.get(row["site_group"], row["site_group"]),
            practitioner_share(edition, row),
            numbers.share(row["reached"] / row["procedures"]),
        )
        for row in own.iter_rows(named=True)
    )
    heads = ("Practitioner", "Site group", "Infected", "Reached")
    first = own.select("branch_id", "practitioner_id", "site_group").head(1).to_dicts()
    receipts = receipt(edition, "branch_practitioners", **first[0]) if first else ()
    caption = "Infection by practitioner and site group"
    return Table(caption, heads, rows, "branch_practitioners.csv", n_text=2, receipts=receipts)


def _packs(edition: Edition, branch_id: str) -> Table | None:
    """Packs here that have expired, or will before they are used; None where there is none."""
    packs = edition.results["packs"].filter(pl.col("branch_id") == branch_id)
    if packs.is_empty():
        return None
    rows = tuple(
        (
            Cell(row["lot_no"], f"article {isolated(row['article_id'])}"),
            numbers.short_day(row["expires_on"]),
            Cell(numbers.count(row["packs"]), _counted(row["counted_on"])),
            numbers.tenth(row["used_a_week"]),
            numbers.count(row["unused"]),
        )
        for row in packs.iter_rows(named=True)
    )
    heads = ("Lot", "Expires", "Packs there", "Article used a week", "Left over then")
    return Table("Packs that expire within 90 days, or have", heads, rows, "packs.csv")


def _counted(day: date | None) -> str:
    return f"counted on {numbers.short_day(day)}" if day else "never counted"


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
