"""Control charts as figures: which chart and why, its baselines and phases, its run rules, and what they marked."""

from datetime import timedelta
from functools import cache
from typing import Any

import polars as pl

from pipeline.stats.chart_choice import RUN_RULES
from pipeline.stats.run_rules import false_alarm_probability, rules_run_length
from reports import numbers, words
from reports.charts.control_chart import control_chart
from reports.edition import Edition
from reports.locales import isolated
from reports.parts import Cell, Figure, Figures, Table

DRAWN_WEEKS = 156
"""Weeks before the as-of date that a chart draws at most."""
_SIDES = {"above": "rise", "below": "fall"}
_KINDS = {
    "p": ("Weekly share", "share infected, by week", "week"),
    "per_five": (
        "Piercings it took for each five infections; low is a rise", "piercings for five infections", "run",
    ),
    "g": ("Piercings it took from infection to infection; low is a rise", "piercings to the infection", "run"),
}  # fmt: skip
"""By the kind of chart: what it shows, the unit of its axis, and what a point is called."""


def false_alarm() -> str:
    """Chance that a point lies beyond one limit while nothing has changed: 0.135 %."""
    return numbers.percent(0.00135, 3)


def control_figure(figures: Figures, edition: Edition, dimension: str, level: str) -> Figure | None:
    """The control chart of a slice; None where it has none yet."""
    points = edition.results["control_charts"].filter((pl.col("dimension") == dimension) & (pl.col("level") == level))
    if edition.as_of is not None:  # a mistyped year must not stretch the axis
        points = points.filter(pl.col("to_on") > edition.as_of - timedelta(weeks=DRAWN_WEEKS))
    if points.is_empty():
        return None
    kind = str(points["chart"][0]).split(":")[0]
    _, unit, _ = _KINDS[kind]
    frame = points.with_columns(pl.col("from_on" if kind == "p" else "to_on").alias("day"))
    return figures.draw(
        control_chart(frame, unit=unit, is_share=kind == "p"),
        title=_title(points, words.named(dimension, level), kind),
        subtitle=_subtitle(points, kind),
        table=_table(points, words.named(dimension, level), kind),
        method="by-week" if kind == "p" else "per-five",
    )


def _title(points: pl.DataFrame, name: str, kind: str) -> str:
    """The message: whether any point marks a rise, and the latest that does; else whether a run rule does."""
    subject, point = name[0].upper() + name[1:], _KINDS[kind][2]
    rises = points.filter("signal")
    if not rises.is_empty():
        latest = numbers.day(rises["from_on"].max())  # type: ignore[arg-type]
        return f"{subject}: {words.plural(rises.height, point)} beyond the limit, the latest from {latest}"
    quiet = f"{subject}: no {point} beyond the limits on the side of a rise"
    patterns = points.filter((pl.col("rule_side") == "above") & pl.col("beyond").is_null())
    if patterns.is_empty():
        return quiet
    newest = patterns.row(-1, named=True)
    return f"{quiet}, but {newest['rule']} up to {numbers.day(newest['to_on'])}"


def _subtitle(points: pl.DataFrame, kind: str) -> str:
    """What is shown and why, its baselines, its limits and run rules, how points look, and how far they reach."""
    newest = points.row(-1, named=True)
    mature = points.filter("mature")
    says = [f"{_KINDS[kind][0]}. {numbers.decimals_in(newest['why'] or '')}", *_phases(points), _rules()]
    if points["in_baseline"].any():
        says.append("Grey points made the baseline.")
    if points["rule"].is_not_null().any():
        says.append("Diamonds lie beyond a limit; squares end another rule’s pattern.")
    if mature.height < points.height:
        says.append("Hollow points are still coming in and have no verdict.")
    through = mature if mature.height else points
    return " ".join([*says, f"Points to {numbers.day(through['to_on'].max())}."])  # type: ignore[arg-type]


def _phases(points: pl.DataFrame) -> list[str]:
    """The baseline of every phase drawn, and why a phase but the first begins."""
    says = []
    for phase in points.unique("phase", keep="first", maintain_order=True).sort("phase").iter_rows(named=True):
        baseline = (
            f"aseline {numbers.percent(phase['baseline'], 2)}, from {numbers.day(phase['baseline_from'])} to "
            f"{numbers.day(phase['baseline_to'])}, frozen."
        )
        begins = f"Phase {phase['phase']} from {numbers.day(phase['phase_from'])} ({isolated(phase['reason'])}): b"
        says.append((begins if phase["phase"] > 1 else "B") + baseline)
    return says


def _rules() -> str:
    """The run rules with how often each marks a point while nothing has changed."""
    chances = [f"{name} {numbers.percent(false_alarm_probability(rule), 2)}" for name, rule in RUN_RULES.items()]
    together = _points_to_false_alarm()
    return (
        f"Limits: {false_alarm()} beyond each by chance. Rules set beforehand, with the share of points each marks by "
        f"chance at most: {', '.join(chances)}; the first false alarm comes after {numbers.count(together)} points "
        "or more on average."
    )


@cache
def _points_to_false_alarm() -> float:
    """Points until a rule's first false alarm, on average: the same of every chart."""
    return rules_run_length(list(RUN_RULES.values()))


def _table(points: pl.DataFrame, name: str, kind: str) -> Table:
    write = numbers.share if kind == "p" else numbers.count
    begins = points.filter(pl.col("phase") > 1).unique("phase", keep="first", maintain_order=True)["subgroup"].to_list()
    rows = tuple(
        (
            f"{numbers.short_day(row['from_on'])} to {numbers.short_day(row['to_on'])}",
            numbers.count(row["n"]),
            numbers.count(row["observed"]),
            Cell(write(row["statistic"]), is_marked=row["signal"]),
            write(row["centre"]),
            f"{write(row['lower'])} to {write(row['upper'])}",
            _verdict(row, is_first=row["subgroup"] in begins),
        )
        for row in points.reverse().iter_rows(named=True)
    )
    statistic = {"p": "Share", "per_five": "Piercings for five", "g": "Piercings to it"}[kind]
    heads = ("Days", "Piercings", "Infected", statistic, "Centre", "Limits", "Rule that fired")
    return Table(f"Points of the chart of {name}, newest first", heads, rows, "control_charts.csv", ends_in_words=True)


def _verdict(row: dict[str, Any], *, is_first: bool) -> str:
    """Which rule fired at a point and on which side, and which part of the chart it is of; `is_first` of its phase."""
    says = [f"{_SIDES[row['rule_side']]}: {row['rule']}"] if row["rule"] else []
    if row["phase"] > 1:
        says.append(f"phase {row['phase']}" + (f" begins: {isolated(row['reason'])}" if is_first else ""))
    if row["in_baseline"]:
        says.append("baseline")
    if not row["mature"]:
        says.append("still coming in")
    return "; ".join(says)
