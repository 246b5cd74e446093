"""How a branch's share of infections becomes a ratio that compares: what each step is, and what it changed."""

from typing import Any

import polars as pl

from reports import numbers, words
from reports.charts.ratio_steps import ratio_steps
from reports.locales import isolated
from reports.parts import MOST_BRANCHES, Figure, Figures, Table

MARGIN_WORDS = "a quarter above the mean"
"""The margin whose probability the comparison gives."""
_HARDLY = 0.03
"""Part by which a step must change a ratio to be told of."""


def steps_figure(figures: Figures, infection: pl.DataFrame) -> Figure | None:
    """The steps of every branch that has a ratio, of many those furthest from the mean; None where none has."""
    shown = infection.filter(pl.col("ratio").is_not_null() & pl.col("shrunk_ratio").is_not_null())
    if shown.is_empty():
        return None
    drawn = _drawn(shown)
    frame = drawn.select("branch_id", pl.col("raw_ratio").alias("raw"), pl.col("ratio").alias("adjusted"))
    rows = tuple(_row(row) for row in shown.iter_rows(named=True))
    heads = (
        "Branch",
        "As counted",
        "After case mix",
        "By regression",
        "Drawn towards the mean",
        _chance_head(),
        "What changed it",
    )
    return figures.draw(
        ratio_steps(frame.with_columns(drawn["shrunk_ratio"].alias("shrunk"))),
        title="What case mix and chance make of each branch’s share",
        subtitle=(
            "Infection, times the chain’s. Square: as counted; dot: after case mix; diamond: drawn towards the mean "
            "by as much as it is uncertain. In the order of the branches’ ids; no ranking."
            f"{_how_many(shown, drawn)}"
        ),
        table=Table("Each branch’s ratio, step by step", heads, rows, "comparison.csv", ends_in_words=True),
        method="shrunk",
    )


def _drawn(branches: pl.DataFrame) -> pl.DataFrame:
    """The branches that are drawn, in the order of their ids: of many those furthest from the mean once drawn to it."""
    if branches.height <= MOST_BRANCHES:
        return branches
    return branches.sort((pl.col("shrunk_ratio") - 1).abs(), descending=True).head(MOST_BRANCHES).sort("branch_id")


def _how_many(shown: pl.DataFrame, drawn: pl.DataFrame) -> str:
    """What is said of many branches of which not all are drawn."""
    if drawn is shown:
        return ""
    return f" Of {numbers.count(shown.height)} branches the {numbers.count(drawn.height)} furthest from the mean."


def _chance_head() -> str:
    return f"Chance that it is truly {MARGIN_WORDS} or more"


def _row(row: dict[str, Any]) -> tuple[str, ...]:
    chance = row["probability_above"]
    return (
        row["branch_id"],
        numbers.ratio(row["raw_ratio"]),
        numbers.ratio(row["ratio"]),
        numbers.ratio(row["model_ratio"]),
        numbers.ratio(row["shrunk_ratio"]),
        numbers.NONE if chance is None or not row["comparable"] else _chance(chance),
        _changes(row["raw_ratio"], row["ratio"], row["shrunk_ratio"]),
    )


def _chance(chance: float) -> str:
    """A probability that never reads as certain."""
    if chance < 0.01:
        return f"under {numbers.share(0.01)}"
    return f"over {numbers.share(0.99)}" if chance > 0.99 else numbers.share(chance)


def _changes(raw: float, adjusted: float, shrunk: float) -> str:
    """What case mix and shrinkage did, in words."""
    told = []
    if adjusted > 0 and abs(raw / adjusted - 1) > _HARDLY:
        risk = raw / adjusted
        told.append(
            f"its piercings are of kinds that carry {numbers.share(abs(risk - 1))} "
            f"{'more' if risk > 1 else 'less'} risk than the chain’s"
        )
    if abs(adjusted - 1) > _HARDLY:
        drawn = (adjusted - shrunk) / (adjusted - 1)
        if drawn > _HARDLY:
            told.append(f"its cases are few enough to draw it {numbers.share(min(drawn, 1))} of the way to the mean")
    return "; ".join(told) or "hardly anything"


def spread_sentence(infection: pl.DataFrame) -> str:
    """Whether branches differ by more than chance, and by how much; empty where it is not known."""
    known = infection.filter(pl.col("tau2").is_not_null())
    if known.is_empty():
        return ""
    spread = known["tau2"][0] ** 0.5
    if spread < _HARDLY:
        return "Branches that can be compared differ by no more than chance explains."
    is_within = pl.col("ratio").is_between("wide_low_998", "wide_high_998")
    beyond = known.filter(pl.col("comparable") & pl.col("ratio").is_not_null() & ~is_within)
    named = beyond["branch_id"].head(MOST_BRANCHES).to_list()
    further = beyond.height - len(named)
    names = ", ".join(map(isolated, named)) or "none"
    if further:
        names += f" and {words.plural(further, 'further branch', 'further branches')}"
    return (
        f"Branches that can be compared differ by more than chance, typically by {numbers.share(spread)}, for reasons "
        f"nobody recorded. With that allowed for, {names} still {'lie' if beyond.height > 1 else 'lies'} outside the "
        f"{words.outer_limits()}."
    )
