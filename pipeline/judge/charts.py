"""Control charts of infection, for the whole chain and for each branch: their points, limits and run rules.

The newest baseline says which chart suits the slice (`stats/chart_choice.py`); why stands with the points. Weeks and
runs whose reports are still coming in are drawn behind the others, without a verdict.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl

from pipeline.contract import vocabulary as v
from pipeline.judge.baselines import Baseline, Beginning, beginnings, frozen_baselines, in_phases
from pipeline.judge.chart_points import run_points, weekly_points
from pipeline.judge.expected import Reference
from pipeline.judge.rates import is_mature_week
from pipeline.results import RESULT_BY_NAME
from pipeline.settings import DeclaredPhase
from pipeline.stats.arguments import FloatArray, IntArray
from pipeline.stats.chart_choice import RUN_RULES, Kind, choose_chart, reason
from pipeline.stats.rare import EVENTS
from pipeline.stats.run_rules import rule_signals

CHART_WEEKS = 104
"""Mature weeks a chart looks back over at most."""
RUN_EVENTS = {"per_five": EVENTS, "g": 1}
"""Infections that end a run, by the kind of chart."""
SIDES = {1: "above", 0: None, -1: "below"}


@dataclass(frozen=True)
class _Slice:
    """A chart's piercings.

    `weeks` has week, n, observed and mature, aged weeks too; `piercings` those still counted, in order of time.
    """

    dimension: str
    level: str
    weeks: pl.DataFrame
    piercings: pl.DataFrame


def judge_control_charts(
    weekly: pl.DataFrame, sequence: pl.DataFrame, reference: Reference, declared: Sequence[DeclaredPhase]
) -> pl.DataFrame:
    """control_charts: points with limits, from the result weekly, with kept weeks, and the measure infection_sequence.

    `sequence` holds piercings of weeks that are still counted, `declared` the phases of the settings.
    """
    charts = [_chart(one, reference, declared) for one in _slices(weekly, sequence, reference)]
    return RESULT_BY_NAME["control_charts"].gather(chart for chart in charts if chart is not None)


def _slices(weekly: pl.DataFrame, sequence: pl.DataFrame, reference: Reference) -> list[_Slice]:
    """The whole chain and each branch, as far as either has piercings by the as-of date."""
    counts = weekly.filter((pl.col("procedures") > 0) & (pl.col("week") <= reference.as_of))
    ordered = sequence.filter(pl.col("performed_on") <= reference.as_of).sort("performed_at", "procedure_id")
    branches = counts["branch_id"].unique(maintain_order=True)
    slices = [("all", "all", counts, ordered)] if counts.height else []
    slices += [("branch", level, counts.filter(branch_id=level), ordered.filter(branch_id=level)) for level in branches]
    return [_Slice(dimension, level, _weeks(own, reference), piercings) for dimension, level, own, piercings in slices]


def _weeks(counts: pl.DataFrame, reference: Reference) -> pl.DataFrame:
    return (
        counts.group_by("week")
        .agg(pl.col("procedures").sum().alias("n"), pl.col("infections_observed").sum().alias("observed"))
        .sort("week")
        .with_columns(is_mature_week("week", reference.as_of).alias("mature"))
    )


def _chart(one: _Slice, reference: Reference, declared: Sequence[DeclaredPhase]) -> pl.DataFrame | None:
    """A slice's chart; None before it has a baseline."""
    begun = beginnings(one.weeks["week"][0], declared, one.level if one.dimension == "branch" else None)
    mature = one.weeks.filter("mature")
    baselines = frozen_baselines(mature, begun)
    if not baselines:
        return None
    newest = baselines[-1]
    kind = choose_chart(newest.weeks["n"].to_numpy(), newest.rate)
    phases = in_phases(one.weeks, baselines).partition_by("phase", maintain_order=True)
    if kind == "p":
        points = [weekly_points(weeks, baseline) for weeks, baseline in zip(phases, baselines, strict=True)]
    else:
        points = _numbered_runs(one, phases, baselines, RUN_EVENTS[kind], reference.last_mature_on)
    judged = [
        _judged(own, baseline, number)
        for number, (own, baseline) in enumerate(zip(points, baselines, strict=True), start=1)
    ]
    first_shown = mature["week"].tail(CHART_WEEKS)[0]
    return (
        pl.concat(judged)
        .filter(pl.col("to_on") >= first_shown)
        .with_columns(
            pl.lit(f"{kind}:{one.dimension}:{one.level}:{v.INFECTION.name}").alias("chart"),
            pl.lit(one.dimension).alias("dimension"),
            pl.lit(one.level).alias("level"),
            pl.lit(v.INFECTION.name).alias("complication"),
            pl.lit(_why(kind, newest, begun)).alias("why"),
        )
    )


def _numbered_runs(
    one: _Slice, phases: Sequence[pl.DataFrame], baselines: Sequence[Baseline], events: int, last_mature_on: date
) -> list[pl.DataFrame]:
    """Each phase's runs, numbered on through all of them."""
    points, n_before = [], 0
    for weeks, baseline in zip(phases, baselines, strict=True):
        own = one.piercings.filter(pl.col("week").is_in(weeks["week"].implode()))
        runs = run_points(weeks, own, baseline, events, last_mature_on)
        number = (pl.col("subgroup") + n_before).cast(pl.String).str.zfill(4)
        points.append(runs.with_columns(number.alias("subgroup")))
        n_before += int(weeks["observed"].sum()) // events
    return points


def _judged(points: pl.DataFrame, baseline: Baseline, number: int) -> pl.DataFrame:
    """A phase's points with their verdicts, which those still coming in do not have, and their baseline."""
    mature = points.filter("mature")
    rules, sides = _fired(mature["side"].to_numpy(), mature["score"].to_numpy())
    verdicts = mature.select(
        "subgroup",
        (pl.col("side") > 0).alias("signal"),
        pl.col("side").replace_strict(SIDES, return_dtype=pl.String).alias("beyond"),
        pl.Series("rule", rules, dtype=pl.String),
        pl.Series("rule_side", [SIDES[side] for side in sides], dtype=pl.String),
    )
    return points.join(verdicts, on="subgroup", how="left", maintain_order="left").with_columns(
        pl.col("signal").fill_null(value=False),
        pl.lit(baseline.rate).alias("baseline"),
        pl.lit(baseline.first_on).alias("baseline_from"),
        pl.lit(baseline.last_on).alias("baseline_to"),
        (pl.col("to_on") <= baseline.last_on).alias("in_baseline"),
        pl.lit(number).alias("phase"),
        pl.lit(baseline.phase.reason).alias("reason"),
        pl.lit(baseline.phase.monday).alias("phase_from"),
    )


def _fired(side: IntArray, score: FloatArray) -> tuple[list[str | None], list[int]]:
    """For each point the first of the run rules that fired at it, and on which side; None and 0 where none did.

    `side` is the limit a point is beyond, as its chart has said: 1 a rise, -1 a fall.
    """
    names, rules = list(RUN_RULES), list(RUN_RULES.values())
    signals = np.vstack([side, rule_signals(score, rules)[1:]])
    first = (signals != 0).argmax(axis=0)
    sides = [int(signals[rule, at]) for at, rule in enumerate(first)]
    return [names[rule] if fired else None for rule, fired in zip(first, sides, strict=True)], sides


def _why(kind: Kind, newest: Baseline, begun: Sequence[Beginning]) -> str:
    """Why the chart is what it is: of which kind, how wide its limits are, and which phase still waits."""
    says = [reason(newest.weeks["n"].to_numpy(), newest.rate)]
    if kind == "p" and newest.sigma_z > 1:
        says.append(
            f"Weeks of the baseline vary {newest.sigma_z:.1f} times as much as by chance, so limits are widened "
            "(Laney’s p’ chart)."
        )
    if begun[-1].monday > newest.phase.monday:
        says.append(
            f"The phase from {begun[-1].monday} ({begun[-1].reason}) has no baseline yet; until then the one before "
            "stays in force."
        )
    return " ".join(says)
