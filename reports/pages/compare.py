"""Branches side by side: infection after case mix, aftercare and revisits, records, and who may be compared."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl

from pipeline.contract import vocabulary as v
from pipeline.stats.funnel import funnel_limits
from reports import numbers, words
from reports.charts.branch_funnel import branch_funnel
from reports.edition import Edition
from reports.locales import isolated
from reports.pages.index import data_through
from reports.parts import MOST_BRANCHES, Cell, Figure, Figures, Table
from reports.receipts import receipt
from reports.sections.calibration import calibration_figure
from reports.sections.healing import NOT_YET, RATE_HEADS, rate_cells
from reports.sections.steps import spread_sentence, steps_figure

_BEYOND = (pl.col("ratio") > pl.col("limit_high_998")) | (pl.col("ratio") < pl.col("limit_low_998"))
READS = ("comparison", "calibration", "complication_rates", "attach", "revisits", "record_gaps", "rejected_rows")

BRANCHES_TOLD = 5
"""Branches of which a sentence tells; of more the tables do."""
_REMEDY = (
    "What would make a branch comparable: let it ask after every client by phone, message or at a revisit, "
    f"{-(-v.INFECTION.window_days // 5)} to {v.INFECTION.window_days + v.REPORTING_LAG_DAYS} days after the piercing, "
    "and write down every answer, until the share it reaches lies between half and twice the others’."
)


@dataclass(frozen=True)
class Context:
    """The page's content."""

    through: str
    has_data: bool
    not_yet: str = "No piercing has come in yet, so there is nothing to compare."
    lead: tuple[str, ...] = ()
    funnel: Figure | None = None
    steps: Figure | None = None
    calibration: Figure | None = None
    infections: Table | None = None
    business: Table | None = None
    records: Table | None = None
    complications: Table | None = None
    cautions: tuple[str, ...] = (words.CAUTION_SIGNAL, words.CAUTION_ADVICE)


def build(edition: Edition) -> Context:
    """The comparison of an edition."""
    if edition.data_from is None:
        return Context(through="No data yet.", has_data=False)
    infection = edition.results["comparison"].filter(pl.col("complication") == "infection")
    figures = Figures()
    return Context(
        through=data_through(edition),
        has_data=True,
        lead=tuple(_lead(edition, infection)),
        funnel=_funnel(figures, edition, infection),
        steps=None if edition.is_too_early() else steps_figure(figures, infection),
        calibration=None if edition.is_too_early() else calibration_figure(figures, edition.results["calibration"]),
        infections=_infection_table(edition, infection),
        business=_business_table(edition),
        records=_records_table(edition),
        complications=_complication_table(edition),
    )


def _lead(edition: Edition, infection: pl.DataFrame) -> list[str]:
    """What may be said of differences, and of whom nothing may be said."""
    if edition.is_too_early():
        needed = numbers.day(edition.needed_from(v.INFECTION.window_days))
        return [f"Not yet: to compare how piercings heal, data from {needed} is needed."]
    comparable = infection.filter(pl.col("comparable") & pl.col("ratio").is_not_null())
    beyond = comparable.filter(_BEYOND)
    if comparable.height < 2:
        lines = ["Too few branches can be compared."]
    elif beyond.is_empty():
        lines = [
            "Once case mix is allowed for, no branch that can be compared lies outside the "
            f"{words.outer_limits()} of chance."
        ]
    else:
        lines = [
            f"Once case mix is allowed for, {isolated(row['branch_id'])} lies "
            f"{'above' if row['ratio'] > 1 else 'below'} the {words.outer_limits()} of chance: "
            f"{numbers.tenth(row['ratio'])} times what was expected. Better follow-up finds more; look at the share "
            "reached first."
            for row in beyond.head(BRANCHES_TOLD).iter_rows(named=True)
        ]
        lines += _more(beyond, "outside the limits")
    lines += [told for told in (spread_sentence(infection),) if told and comparable.height >= 2]
    apart = infection.filter(~pl.col("comparable"))
    lines += [
        f"{isolated(row['branch_id'])} cannot be compared: {row['reason']}. A low share there may only mean that "
        "nobody asked."
        for row in apart.head(BRANCHES_TOLD).iter_rows(named=True)
    ]
    lines += _more(apart, "not to be compared")
    return [*lines, _REMEDY] if any(row["procedures"] for row in apart.iter_rows(named=True)) else lines


def _more(branches: pl.DataFrame, what: str) -> list[str]:
    """How many branches are told of in the tables alone."""
    further = branches.height - BRANCHES_TOLD
    if further <= 0:
        return []
    return [f"{words.plural(further, 'further branch is', 'further branches are')} {what}; the tables tell of them."]


def _funnel(figures: Figures, edition: Edition, infection: pl.DataFrame) -> Figure | None:
    shown = infection.filter(pl.col("ratio").is_not_null())
    if shown.is_empty() or edition.is_too_early():
        return None
    rows = tuple(
        (
            row["branch_id"],
            numbers.tenth(row["expected"]),
            numbers.ratio(row["ratio"]),
            numbers.ratio_range(row["limit_low_95"], row["limit_high_95"]),
            numbers.ratio_range(row["limit_low_998"], row["limit_high_998"]),
        )
        for row in shown.iter_rows(named=True)
    )
    return figures.draw(
        branch_funnel(
            shown.select("branch_id", "expected", "ratio", "comparable", _is_named(shown)), _limit_curves(shown)
        ),
        title="Infection against case mix: chance alone spreads branches within the lines",
        subtitle=(
            f"Dashed: 95 % of branches lie within by chance; full: {numbers.share(0.998)}. Hollow: cannot be compared. "
            "No ranking. Names that would cover others stand in the table alone."
        ),
        table=Table(
            "The funnel", ("Branch", "Expected", "Ratio", "95 % limits", words.outer_limits()), rows, "comparison.csv"
        ),
        method="comparison",
    )


def _is_named(branches: pl.DataFrame) -> pl.Expr:
    """Which branches the funnel names: of many those outside the limits."""
    is_named = pl.lit(value=True) if branches.height <= MOST_BRANCHES else _BEYOND.fill_null(value=False)
    return is_named.alias("is_named")


def _limit_curves(branches: pl.DataFrame) -> pl.DataFrame:
    """The funnel's limits from 1 expected to beyond the largest branch: expected, ratio, limit, side."""
    grid = np.linspace(1, np.ceil(branches["expected"].to_numpy().max() * 1.1 + 1), 120)
    limits = funnel_limits(grid)
    return pl.concat(
        pl.DataFrame({"expected": grid, "ratio": curve, "limit": name, "side": side})
        for name, side, curve in (
            ("95 %", "low", limits.low_95),
            ("95 %", "high", limits.high_95),
            ("99.8 %", "low", limits.low_998),
            ("99.8 %", "high", limits.high_998),
        )
    )


def _infection_table(edition: Edition, infection: pl.DataFrame) -> Table:
    rates = _by_branch(edition, "complication_rates", pl.col("complication") == "infection")
    rows = tuple(
        (
            Cell(row["branch_id"], link=f"branch/{numbers.page_link(row['branch_id'])}"),
            *rate_cells(edition, rates[row["branch_id"]]),
            *_against_expected(edition, row),
        )
        for row in infection.iter_rows(named=True)
    )
    heads = (
        "Branch",
        *RATE_HEADS,
        "Expected of its case mix",
        "Observed ÷ expected",
        "Drawn towards the mean",
        "May be compared",
    )
    return Table(
        "Infection, 364 days that are old enough, in the order of the branches’ ids",
        heads,
        rows,
        "comparison.csv",
        receipts=_first_receipt(edition, infection),
    )


def _first_receipt(edition: Edition, comparison: pl.DataFrame) -> tuple[str, ...]:
    """The command for the first of some rows of comparison."""
    first = comparison.select("branch_id", "complication").head(1).rows(named=True)
    return receipt(edition, "comparison", **first[0]) if first else ()


def _against_expected(edition: Edition, row: dict[str, Any]) -> tuple[Cell | str, ...]:
    """What was expected of a branch's case mix, how it compares, and whether it may be compared."""
    may = "yes" if row["comparable"] else Cell("no", row["reason"])
    if edition.is_too_early():
        return NOT_YET, NOT_YET, NOT_YET, may
    return (
        numbers.tenth(row["expected"]),
        Cell(
            numbers.ratio(row["ratio"]),
            numbers.ratio_range(row["ratio_low"], row["ratio_high"]),
            is_marked=_is_beyond(row),
        ),
        numbers.ratio(row["shrunk_ratio"]),
        may,
    )


def _is_beyond(row: dict[str, Any]) -> bool:
    """Whether a branch that may be compared lies outside the 99.8 % limits."""
    if row["ratio"] is None or not row["comparable"]:
        return False
    return bool(row["ratio"] > row["limit_high_998"] or row["ratio"] < row["limit_low_998"])


def _by_branch(edition: Edition, result: str, condition: pl.Expr) -> dict[str, dict[str, Any]]:
    rows = edition.results[result].filter((pl.col("dimension") == "branch") & condition)
    return {row["level"]: row for row in rows.iter_rows(named=True)}


def _business_table(edition: Edition) -> Table:
    attach = _by_branch(edition, "attach", pl.col("period") == "52w")
    revisits = _by_branch(edition, "revisits", pl.col("period") == "52w")
    rows = []
    for branch in sorted(set(attach) | set(revisits)):
        sold, kept = attach.get(branch), revisits.get(branch)
        rows.append((branch, *_aftercare_cells(sold), *_revisit_cells(kept)))
    heads = (
        "Branch",
        "Visits",
        "Bought aftercare",
        "Left with aftercare, gifts and bundles too",
        "Matched to a receipt",
        "Revisits due",
        "Kept",
        "Missed",
        "Nothing written down",
    )
    first = {"dimension": "branch", "level": min((*attach, *revisits), default=""), "period": "52w"}
    receipts = (*receipt(edition, "attach", **first), *receipt(edition, "revisits", **first))
    return Table("The 364 days to the as-of date", heads, tuple(rows), "attach.csv", receipts=receipts)


def _aftercare_cells(row: dict[str, Any] | None) -> tuple[Cell | str, ...]:
    if row is None:
        return (numbers.NONE,) * 4
    visits = row["eligible_visits"]
    if not row["linked_visits"]:  # absence of receipts is not absence of sales
        return (numbers.count(visits), Cell(numbers.NONE, "no receipt came in"), numbers.NONE, numbers.NONE)
    return (
        numbers.count(visits),
        Cell(numbers.share(row["rate"]), numbers.share_range(row["wilson_low"], row["wilson_high"])),
        numbers.share(row["provided_visits"] / visits),
        numbers.share(row["linked_visits"] / visits),
    )


def _revisit_cells(row: dict[str, Any] | None) -> tuple[Cell | str, ...]:
    if row is None:
        return (numbers.NONE,) * 4
    due = row["due"]
    missed = Cell(
        numbers.share(row["no_show_rate"]),
        numbers.share_range(row["wilson_low"], row["wilson_high"]),
    )
    return (
        numbers.count(due),
        numbers.share(row["attended"] / due),
        missed,
        numbers.share(row["unknown"] / due),
    )


def _records_table(edition: Edition) -> Table:
    gaps = edition.results["record_gaps"]
    yearly = edition.results["attach"].filter((pl.col("dimension") == "branch") & (pl.col("period") == "52w"))
    visits = dict(yearly.select("level", "eligible_visits").iter_rows())
    counts = {(branch, gap): n for branch, gap, n in gaps.group_by("branch_id", "gap").len().iter_rows()}
    piercings = dict(gaps.group_by("branch_id").agg(pl.col("procedure_id").n_unique()).iter_rows())
    rows = tuple(
        (
            branch,
            numbers.count(visits[branch]),
            numbers.count(piercings.get(branch, 0)),
            _missing({gap: n for (of, gap), n in counts.items() if of == branch}),
        )
        for branch in sorted(visits)
    )
    heads = ("Branch", "Visits", "Piercings with a gap", "What is missing")
    return Table("Gaps in the records, 364 days", heads, rows, "record_gaps.csv", ends_in_words=True)


def _missing(counts: dict[str, int]) -> str:
    """How many gaps there are of each kind."""
    return "; ".join(f"{text} {numbers.count(counts[gap])}" for gap, text in words.GAP.items() if gap in counts)


def _complication_table(edition: Edition) -> Table:
    """Observed and expected of every complication whose ratio can be given somewhere; beyond the limits marked."""
    windows = {complication.name: complication.window_days for complication in v.COMPLICATIONS}
    is_early = [name for name, window_days in windows.items() if edition.is_too_early(window_days)]
    comparison = (
        edition.results["comparison"]
        .filter(pl.col("ratio").is_not_null() & ~pl.col("complication").is_in(is_early))
        .sort("complication", "branch_id")
    )
    rows = tuple(
        (
            words.COMPLICATION[row["complication"]],
            row["branch_id"],
            numbers.count(row["observed"]),
            numbers.tenth(row["expected"]),
            Cell(
                numbers.ratio(row["ratio"]),
                numbers.ratio_range(row["ratio_low"], row["ratio_high"]),
                is_marked=_is_beyond(row),
            ),
            "yes" if row["comparable"] else "no",
        )
        for row in comparison.iter_rows(named=True)
    )
    heads = ("Complication", "Branch", "Observed", "Expected", "Ratio", "May be compared")
    caption = (
        f"Where at least one case was expected; marked: outside the {words.outer_limits()}. Better follow-up finds "
        "more."
    )
    receipts = _first_receipt(edition, comparison)
    return Table(caption, heads, rows, "comparison.csv", n_text=2, receipts=receipts)
