"""Cases of the sections on how branches compare."""

from collections.abc import Sequence
from typing import Any

import polars as pl

from pages.rows import Row, compared
from reports.sections.calibration import calibration_figure
from reports.sections.steps import spread_sentence, steps_figure
from support.editions import frame

from .component import ALL_EVENTS, ARABIC, HEBREW, LONG, MANY, NO_DATA, NO_EVENT, ONE, Component, drawn, ids, named
from .healing import NOT_YET, limits


def compared_frame(rows: Sequence[Row]) -> pl.DataFrame:
    """Rows of comparison as their frame."""
    return frame("comparison", rows)


def compared_branches(names: Sequence[str], **changes: Any) -> list[Row]:
    """Branches whose ratios lie around the mean, each a little higher than the one before."""
    return [
        compared(
            name,
            raw_ratio=0.7 + 0.8 * at / len(names),
            ratio=0.75 + 0.7 * at / len(names),
            model_ratio=0.76 + 0.7 * at / len(names),
            shrunk_ratio=0.9 + 0.3 * at / len(names),
        )
        | changes
        for at, name in enumerate(names)
    ]


NONE_COMPARED: Row = {"observed": 0, "raw_ratio": 0.0, "ratio": 0.0, "model_ratio": 0.0, "shrunk_ratio": 0.6}
ALL_COMPARED: Row = {"observed": 500, "raw_ratio": 50.0, "ratio": 50.0, "model_ratio": 49.0, "shrunk_ratio": 46.0}
TOO_FEW: Row = {"expected": 0.4, "ratio": None, "shrunk_ratio": None, "probability_above": None}
APART: Row = {"comparable": False, "reason": "does not ask after its clients"}
COMPARISONS = {
    NO_DATA: [],
    ONE: compared_branches(["B1"]),
    MANY: compared_branches(ids(1000), tau2=0.04),
    NO_EVENT: compared_branches(ids(4), **NONE_COMPARED),
    ALL_EVENTS: compared_branches(ids(4), probability_above=1.0, tau2=0.09, **ALL_COMPARED),
    "too few expected": compared_branches(["B1"], **TOO_FEW),
    "not to be compared": compared_branches(ids(3), **APART),
    "long and right-to-left names": compared_branches([LONG, HEBREW, ARABIC]),
}

STEPS_FIGURE = Component(
    drawn(lambda figures, rows: steps_figure(figures, compared_frame(rows)), COMPARISONS),
    NOT_YET,
)

SPREAD_SENTENCE = Component(
    named(
        lambda rows: spread_sentence(compared_frame(rows)),
        {
            **{name: COMPARISONS[name] for name in (NO_DATA, ONE, MANY, NO_EVENT, ALL_EVENTS)},
            "not known": compared_branches(ids(3), tau2=None),
            "nobody beyond": compared_branches(ids(3), tau2=0.04),
            "one beyond": compared_branches([*ids(2), LONG], tau2=0.04, wide_high_998=1.2),
        },
    ),
    NOT_YET,
)


def calibration(rows: Sequence[tuple[int, int, float]]) -> pl.DataFrame:
    """Groups of risk by their infections, piercings, and the share predicted."""
    return frame(
        "calibration",
        [
            {"complication": "infection", "tenth": at, "observed": events, "predicted": n * predicted}
            | {"predicted_share": predicted, "share": events / n, "hosmer_lemeshow": 1.0}
            | {"procedures": n, **limits(events, n, ("wilson_low", "wilson_high"))}
            for at, (events, n, predicted) in enumerate(rows, 1)
        ],
    )


CALIBRATION_FIGURE = Component(
    drawn(
        lambda figures, rows: calibration_figure(figures, calibration(rows)),
        {
            NO_DATA: [],
            ONE: [(2, 200, 0.012), (5, 200, 0.03)],
            NO_EVENT: [(0, 200, 0.001), (0, 200, 0.03)],
            ALL_EVENTS: [(200, 200, 0.012), (200, 200, 0.03)],
            "one group": [(2, 200, 0.012)],
            "ten groups": [(at, 200, 0.005 * at) for at in range(1, 11)],
        },
    ),
    {MANY: "puts piercings of all branches in ten groups at most", **NOT_YET},
)

COMPARING = {
    "calibration_figure": CALIBRATION_FIGURE,
    "spread_sentence": SPREAD_SENTENCE,
    "steps_figure": STEPS_FIGURE,
}
