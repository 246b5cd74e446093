"""The quality lead's watch: what stands out first, then charts, shares, possible causes, follow-up, and blind spots."""

from dataclasses import dataclass

import polars as pl

from pipeline.contract import vocabulary as v
from pipeline.stats import standardise
from reports import numbers, words
from reports.edition import Edition
from reports.findings import Finding, incidents, recent_points, year_findings
from reports.pages.index import data_through
from reports.parts import Cell, Figure, Figures, Table
from reports.receipts import receipt
from reports.sections.clients import client_table
from reports.sections.control import control_figure, false_alarm
from reports.sections.follow_up import answers_table, answers_words, bounds_table, coverage_table
from reports.sections.healing import (
    complication_table,
    level_figure,
    level_table,
    material_site_figure,
    practitioner_share,
)
from reports.sections.incidents import Incident, budget_words, incidents_words, slices_table, told_incidents
from reports.sections.infections import completed_figure
from reports.sections.onsets import onset_figure

READS = (
    "signals",
    "incidents",
    "explanations",
    "incident_weeks",
    "watched_slices",
    "thresholds",
    "exposures",
    "onsets",
    "client_shares",
    "material_sites",
    "cause_branches",
    "control_charts",
    "complication_rates",
    "coverage",
    "answers",
    "weekly",
    "completion",
    "branches",
    "branch_practitioners",
    "rejected_rows",
)
CAUSES_SHOWN = 20
CAUSES_TOLD = 40
"""Possible causes that stand out, told one by one: the table of the file has all."""
BRANCHES_CHARTED = 8
"""Branches of a chain whose charts all stand here."""


@dataclass(frozen=True)
class Signal:
    """A possible cause that stands out: told in words, with where it was met."""

    identifier: str
    title: str
    what: str
    sure: str
    detail: str
    branches: Table


@dataclass(frozen=True)
class Context:
    """The page's content."""

    through: str
    has_data: bool
    cautions: tuple[str, ...] = (words.CAUTION_SIGNAL, words.CAUTION_RED_FLAGS, words.CAUTION_ADVICE)
    not_yet: str = "No piercing has come in yet, so there is nothing to watch."
    incidents_words: str = ""
    incidents: tuple[Incident, ...] = ()
    slices: Table | None = None
    budget: tuple[str, ...] = ()
    lead: str = ""
    causes: tuple[Signal, ...] = ()
    points: Table | None = None
    chart_words: str = ""
    charts: tuple[Figure, ...] = ()
    complications: Table | None = None
    clients_words: str = ""
    clients: Table | None = None
    onsets: Figure | None = None
    levels: tuple[Figure, ...] = ()
    allergy: Table | None = None
    causes_words: str = ""
    exposures: Table | None = None
    practitioner_words: str = ""
    practitioners: Table | None = None
    coverage: Table | None = None
    answers_words: str = ""
    answers: Table | None = None
    bounds_words: str = ""
    bounds: Table | None = None
    blind: tuple[str, ...] = ()


def build(edition: Edition) -> Context:
    """The watch of an edition."""
    if edition.data_from is None:
        return Context(through="No data yet.", has_data=False)
    figures = Figures()
    told = {(one.complication, one.dimension, one.level) for one in incidents(edition)}
    found = [one for one in year_findings(edition) if (one.complication, one.dimension, one.level) not in told]
    charts = [completed_figure(figures, edition, None, "all branches")]
    charts += [control_figure(figures, edition, "all", "all")]
    charts += [control_figure(figures, edition, "branch", branch) for branch in _charted(edition)]
    levels = [
        level_figure(figures, edition, "infection", "site_group", "Infection by site group"),
        level_figure(figures, edition, "infection", "age_band", "Infection by age"),
        level_figure(figures, edition, "infection", "material", "Infection by material"),
        level_figure(figures, edition, "contact_allergy", "material", "Contact allergy by material"),
        material_site_figure(figures, edition, "infection", "Infection by material and site group"),
        material_site_figure(figures, edition, "contact_allergy", "Contact allergy by material and site group"),
    ]
    return Context(
        through=data_through(edition),
        has_data=True,
        incidents_words=incidents_words(edition),
        incidents=told_incidents(figures, edition),
        slices=slices_table(edition),
        budget=budget_words(edition),
        lead=_lead(found),
        causes=tuple(_signal(edition, finding) for finding in found[:CAUSES_TOLD]),
        points=_points(edition),
        chart_words=(
            "Each chart sets the chain’s or branch’s weeks against a frozen stretch of its own past; only a phase "
            "declared with its reason replaces it. Weeks whose reports are still coming in are hollow and have no "
            f"verdict. With nothing changed, {false_alarm()} of points lie beyond a limit by chance alone. A pattern "
            "of several points that a rule marks is worth a look, and raises no signal. Every branch has its chart on "
            f"its own page too; of more than {BRANCHES_CHARTED} branches only those with a recent point beyond a limit "
            "are drawn here."
        ),
        charts=tuple(chart for chart in charts if chart),
        complications=complication_table(edition, "all", "all", "all branches"),
        clients_words=(
            "Piercings of one client fare alike, so they tell less than their number. The range as clients have them "
            "allows for it; where it is much wider, read that one."
        ),
        clients=client_table(edition),
        onsets=onset_figure(figures, edition),
        levels=tuple(figure for figure in levels if figure),
        allergy=level_table(edition, "contact_allergy", "article", "Contact allergy by article"),
        causes_words=(
            "Expected: what piercings of the same site group, age band and follow-up had across the chain. So neither "
            "case mix nor better asking looks like a cause. Marked ones are told above; their piercings count for them "
            "alone."
        ),
        exposures=_exposures(edition),
        practitioner_words=words.NO_RANKING,
        practitioners=_practitioners(edition),
        coverage=coverage_table(edition),
        answers_words=answers_words(),
        answers=answers_table(edition),
        bounds_words=(
            "Clients who were not reached may have fared otherwise. At least: none of them was infected but those who "
            "told unasked. At most: all of them were. The truth lies between; asking more clients narrows it down."
        ),
        bounds=bounds_table(edition),
        blind=(
            "Clients who were not reached: their infections are known only if they tell, so shares are lower bounds.",
            "Lots and aftercare batches that were not written down.",
            "Weeks whose reports are still coming in: about the last six.",
            "What few piercings cannot show: a doubling at one small branch takes months to stand out.",
        ),
    )


def _charted(edition: Edition) -> list[str]:
    """The branches whose charts stand here: of many those with a recent point beyond a limit, the latest first."""
    branches: list[str] = edition.results["branches"]["branch_id"].to_list()
    if len(branches) <= BRANCHES_CHARTED:
        return branches
    recent = recent_points(edition).filter(pl.col("dimension") == "branch")
    recent = recent.sort("to_on", "level", descending=[True, False])
    return recent["level"].unique(maintain_order=True).head(BRANCHES_CHARTED).to_list()


def _lead(found: list[Finding]) -> str:
    if not found:
        return (
            "Over the year, no further lot, batch, article, practitioner or branch has more complications than chance "
            "explains."
        )
    in_use = sum(finding.is_in_use for finding in found)
    first = f" The first {numbers.count(CAUSES_TOLD)} are told here, exposures.csv has all."
    return (
        f"Over the year {words.plural(len(found), 'possible cause stands', 'possible causes stand')} out beyond "
        f"chance, {numbers.count(in_use)} still in use. If nothing were amiss, there would be one here in about 1 of "
        f"100 reports for each complication watched.{first if len(found) > CAUSES_TOLD else ''}"
    )


def _signal(edition: Edition, finding: Finding) -> Signal:
    where = edition.results["cause_branches"].filter(
        (pl.col("complication") == finding.complication)
        & (pl.col("dimension") == finding.dimension)
        & (pl.col("level") == finding.level)
    )
    rows = tuple(
        (
            row["branch_id"],
            numbers.count(row["procedures"]),
            numbers.count(row["events"]),
            numbers.short_day(row["used_from"]),
            numbers.short_day(row["used_to"]),
        )
        for row in where.iter_rows(named=True)
    )
    name = finding.name[0].upper() + finding.name[1:]
    return Signal(
        identifier=finding.identifier,
        title=(
            f"{name}: {words.COMPLICATION[finding.complication]} {numbers.tenth(finding.ratio)} times what was expected"
        ),
        what=f"{finding.sentence}.",
        sure=(
            f"The true ratio most likely lies within {numbers.ratio_range(finding.ratio_low, finding.ratio_high)} "
            f"(95 %). First met on {numbers.day(finding.used_from)}; {finding.use}."
        ),
        detail=("Piercings that another cause explains better count there alone; the table has them all."),
        branches=Table(
            f"Where {finding.name} was met",
            ("Branch", "Piercings old enough", "Known cases", "First day", "Last day"),
            rows,
            "cause_branches.csv",
        ),
    )


def _points(edition: Edition) -> Table | None:
    points = recent_points(edition).sort("to_on", descending=True)
    if points.is_empty():
        return None
    rows = tuple(
        (
            words.named(row["dimension"], row["level"]),
            f"{numbers.short_day(row['from_on'])} to {numbers.short_day(row['to_on'])}",
            numbers.count(row["observed"]),
            numbers.tenth(row["n"] * row["baseline"]),
        )
        for row in points.iter_rows(named=True)
    )
    heads = ("Where", "Piercings of", "Infected", "At the baseline")
    caption = "Points beyond a limit in the last three months that are old enough"
    return Table(caption, heads, rows, "control_charts.csv")


def _exposures(edition: Edition) -> Table:
    is_person = pl.col("dimension").str.starts_with("practitioner")
    judged = edition.results["exposures"].filter(
        (pl.col("complication") == "infection")
        & (pl.col("expected") >= standardise.LEAST_EXPECTED)
        & (~is_person | pl.col("signal"))  # people are not ranked
    )
    shown = judged.sort("p_value", "dimension", "level").head(CAUSES_SHOWN)
    rows = tuple(
        (
            Cell(words.named(row["dimension"], row["level"]), is_marked=row["signal"]),
            numbers.count(row["procedures"]),
            numbers.count(row["observed"]),
            numbers.tenth(row["expected"]),
            Cell(numbers.ratio(row["ratio"]), numbers.ratio_range(row["ratio_low"], row["ratio_high"])),
            numbers.count(row["limit_high"]),
        )
        for row in shown.iter_rows(named=True)
    )
    things = shown.filter(~is_person).select("complication", "dimension", "level").head(1).rows(named=True)
    receipts = receipt(edition, "exposures", **things[0]) if things else ()
    heads = ("Possible cause", "Piercings", "Infected", "Expected", "Ratio", "Stands out from")
    return Table(f"The {CAUSES_SHOWN} furthest above expected", heads, rows, "exposures.csv", receipts=receipts)


def _practitioners(edition: Edition) -> Table:
    named = (
        edition.results["branch_practitioners"]
        .filter(pl.col("practitioner_id") != v.MISSING)
        .sort("practitioner_id", "branch_id", "site_group")
    )
    rows = tuple(
        (
            row["practitioner_id"],
            row["branch_id"],
            words.SITE_GROUP.get(row["site_group"], row["site_group"]),
            practitioner_share(edition, row),
            numbers.share(row["reached"] / row["procedures"]),
        )
        for row in named.iter_rows(named=True)
    )
    first = named.select("branch_id", "practitioner_id", "site_group").head(1).rows(named=True)
    return Table(
        "Infection by practitioner, branch and site group",
        ("Practitioner", "Branch", "Site group", "Infected", "Reached"),
        rows,
        "branch_practitioners.csv",
        n_text=3,
        receipts=receipt(edition, "branch_practitioners", **first[0]) if first else (),
    )
