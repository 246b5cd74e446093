"""Cases of the charts of branches, of levels and of days after a piercing, from frames made here."""

from collections.abc import Sequence

import numpy as np
import polars as pl

from pipeline.stats.funnel import funnel_limits
from pipeline.stats.intervals import wilson
from reports.charts.branch_funnel import branch_funnel
from reports.charts.drawing import Drawable
from reports.charts.interval_dots import interval_dots
from reports.charts.onset_curves import onset_curves
from reports.charts.predicted_observed import predicted_observed
from reports.charts.ratio_steps import ratio_steps
from reports.parts import MOST_BRANCHES

from .component import (
    ALL_EVENTS,
    ARABIC,
    HEBREW,
    LONG,
    MANY,
    NO_BASELINE,
    NO_DATA,
    NO_EVENT,
    NOT_OF_NOTHING,
    ONE,
    PROVISIONAL,
    Component,
    ids,
    named,
    wave,
)


def levels(names: Sequence[str], events: Sequence[int], n: Sequence[int]) -> Drawable:
    """Dots of shares by level."""
    found = wilson(np.array(events), np.array(n))
    rates = [event / number for event, number in zip(events, n, strict=True)]
    frame = pl.DataFrame({"name": names, "rate": rates, "low": found.low, "high": found.high})
    return interval_dots(frame, unit="share with infection")


GROUPS = ("lobe (1,240)", "upper cartilage (310)", "other cartilage (95)", "other site (12)")

INTERVAL_DOTS = Component(
    named(
        lambda rows: levels(*rows),
        {
            ONE: (GROUPS, (20, 12, 5, 1), (1240, 310, 95, 12)),
            NO_EVENT: (GROUPS, (0, 0, 0, 0), (1240, 310, 95, 12)),
            ALL_EVENTS: (GROUPS, (1240, 310, 95, 12), (1240, 310, 95, 12)),
            "one level": (GROUPS[:1], (20,), (1240,)),
            "names of two lines": (
                [f"implant titanium,\n{group}" for group in GROUPS],
                (20, 12, 5, 1),
                (1240, 310, 95, 12),
            ),
            "long and right-to-left names": ((LONG, HEBREW, ARABIC), (20, 12, 5), (1240, 310, 95)),
            "limits far apart": (GROUPS[:2], (2, 1), (90_000, 2)),
        },
    ),
    {
        NO_DATA: NOT_OF_NOTHING,
        MANY: "its levels are site groups, ages and materials, whose lists the contract closes",
        PROVISIONAL: NO_BASELINE,
    },
)


def funnel(branches: pl.DataFrame) -> Drawable:
    """A funnel of branches with the limits that pages draw."""
    grid = np.linspace(1, float(branches["expected"].to_numpy().max()) * 1.1 + 1, 60)
    limits = funnel_limits(grid)
    curves = pl.concat(
        pl.DataFrame({"expected": grid, "ratio": curve, "limit": name, "side": side})
        for name, side, curve in (
            ("95 %", "low", limits.low_95),
            ("95 %", "high", limits.high_95),
            ("99.8 %", "low", limits.low_998),
            ("99.8 %", "high", limits.high_998),
        )
    )
    return branch_funnel(branches, curves)


def branches(
    names: Sequence[str],
    ratios: Sequence[float],
    *,
    expected: float = 6,
    apart: int = 3,
) -> pl.DataFrame:
    """Branches of growing size; one in so many cannot be compared, and of many those far out are named."""
    n = len(names)
    return pl.DataFrame(
        {
            "branch_id": names,
            "expected": [expected * (1 + at * 40 / n) for at in range(n)],
            "ratio": ratios,
            "comparable": [at % apart != apart - 1 for at in range(n)],
        },
        schema_overrides={"ratio": pl.Float64},
    ).with_columns((pl.lit(n <= MOST_BRANCHES) | (pl.col("ratio") > 1.9)).alias("is_named"))


BRANCH_FUNNEL = Component(
    named(
        funnel,
        {
            ONE: branches(ids(1), [1.2]),
            MANY: branches(ids(1000), [*wave(999, 1.0, 0.4), 2.4], expected=2),
            NO_EVENT: branches(ids(12), [0.0] * 12),
            ALL_EVENTS: branches(ids(12), [30.0] * 12),
            "twelve branches": branches(ids(12), wave(12, 1.1, 0.7)),
            "nobody can be compared": branches(ids(3), [0.7, 1.0, 1.9], apart=1),
            "long and right-to-left names": branches([HEBREW, LONG, ARABIC], [0.7, 1.4, 1.9]),
            "limits far apart": branches(ids(2), [0.0, 3.1], expected=0.03),
        },
    ),
    {NO_DATA: NOT_OF_NOTHING, PROVISIONAL: NO_BASELINE},
)


def steps(rows: tuple[Sequence[str], Sequence[float]]) -> Drawable:
    """Ratios drawn halfway to the mean after case mix took a tenth."""
    names, raw = rows
    return ratio_steps(
        pl.DataFrame(
            {
                "branch_id": names,
                "raw": raw,
                "adjusted": [0.9 * value for value in raw],
                "shrunk": [(0.9 * value + 1) / 2 for value in raw],
            }
        )
    )


RATIO_STEPS = Component(
    named(
        steps,
        {
            ONE: (ids(1), [1.2]),
            MANY: (
                ids(1000)[-MOST_BRANCHES:],  # more are never drawn
                wave(MOST_BRANCHES, 1.1, 0.8),
            ),
            NO_EVENT: (ids(4), [0.0] * 4),
            ALL_EVENTS: (ids(4), [30.0] * 4),
            "long and right-to-left names": ([HEBREW, LONG, ARABIC], [0.7, 1.4, 1.9]),
            "limits far apart": (ids(3), [0.02, 1.0, 48.0]),
        },
    ),
    {NO_DATA: NOT_OF_NOTHING, PROVISIONAL: NO_BASELINE},
)


def groups(rows: tuple[Sequence[int], Sequence[int], float]) -> Drawable:
    """Groups of predicted risk: events, piercings, and the risk predicted of the last group."""
    events, n, most = rows
    found = wilson(np.array(events), np.array(n))
    return predicted_observed(
        pl.DataFrame(
            {
                "predicted": [most * (at + 1) / len(n) for at in range(len(n))],
                "share": [event / number for event, number in zip(events, n, strict=True)],
                "low": found.low,
                "high": found.high,
            }
        )
    )


PREDICTED_OBSERVED = Component(
    named(
        groups,
        {
            ONE: ([2, 5], [200, 200], 0.03),
            NO_EVENT: ([0] * 6, [200] * 6, 0.03),
            ALL_EVENTS: ([200] * 6, [200] * 6, 0.03),
            "ten groups": ([1, 2, 2, 4, 3, 5, 6, 9, 8, 14], [200] * 10, 0.06),
            "limits far apart": ([0, 1, 2], [3, 3, 3], 0.03),
        },
    ),
    {NO_DATA: NOT_OF_NOTHING, MANY: "puts piercings of all branches in ten groups at most", PROVISIONAL: NO_BASELINE},
)


def curves(series: dict[str, list[tuple[int, float]]]) -> Drawable:
    """Shares that rise on the days named, each from nought to day 90."""
    rows = [
        (name, day, share, 0.7 * share, min(1.0, 1.4 * share))
        for name, rises in series.items()
        for day, share in [(0, 0.0), *rises, (90, rises[-1][1] if rises else 0.0)]
    ]
    types = {"series": pl.String, "day": pl.Int64, **dict.fromkeys(("share", "low", "high"), pl.Float64)}
    return onset_curves(pl.DataFrame(rows, schema=types, orient="row"), last_day=90)


RISES = [(2, 0.004), (5, 0.011), (9, 0.017), (16, 0.021), (30, 0.023)]


def times(factor: float) -> list[tuple[int, float]]:
    """The same rises, higher or lower."""
    return [(day, factor * share) for day, share in RISES]


ONSET_CURVES = Component(
    named(
        curves,
        {
            ONE: {"infection": RISES},
            ALL_EVENTS: {"infection": [(3, 0.4), (9, 1.0)]},
            "four curves": {
                "infection": RISES,
                "contact allergy": times(0.6),
                "embedded stud or clasp": times(0.3),
                "excess bleeding": times(0.1),
            },
            "four curves that end together": dict.fromkeys(
                ("infection", "contact allergy", "embedded stud or clasp", "excess bleeding"), RISES
            ),
            "one day alone": {"infection": [(90, 0.02)]},
            "limits far apart": {"infection": times(25), "excess bleeding": times(0.01)},
        },
    ),
    {
        NO_DATA: NOT_OF_NOTHING,
        MANY: "tells of all branches together",
        NO_EVENT: "draws only what has onsets enough",
        PROVISIONAL: NO_BASELINE,
    },
)

OTHER_CHARTS = {
    "branch_funnel": BRANCH_FUNNEL,
    "interval_dots": INTERVAL_DOTS,
    "onset_curves": ONSET_CURVES,
    "predicted_observed": PREDICTED_OBSERVED,
    "ratio_steps": RATIO_STEPS,
}
