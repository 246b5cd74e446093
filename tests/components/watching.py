"""Cases of the sections on the watch: control charts, incidents, slices and thresholds."""

from collections.abc import Sequence
from datetime import date, timedelta
from typing import Any

from pages.rows import mondays
from reports.edition import Edition
from reports.parts import Figure, Figures
from reports.sections.control import control_figure, false_alarm
from reports.sections.incidents import budget_words, incidents_words, slices_table, told_incidents
from support.editions import AS_OF, written

from .component import (
    ALL_EVENTS,
    ARABIC,
    EDGES,
    GAPS,
    HEBREW,
    LONG,
    MANY,
    NO_DATA,
    NO_EVENT,
    ONE,
    ONE_SLICE,
    PROVISIONAL,
    WHOLE_CHAIN,
    Component,
    drawn,
    ids,
    named,
    wave,
)
from .week_charts import RUN_LIMITS, RUNS, SHARES, points


def charted(
    statistics: Sequence[float], *, level: str = "all", kind: str = "p", limits: tuple[float, ...] = (), **look: Any
) -> tuple[str, Edition]:
    """A slice's control chart of so many points, and whose it is; `look` as points of the chart have it."""
    dimension = "all" if level == "all" else "branch"
    frame = points(statistics, **look, **({"limits": limits} if limits else {}))
    rows = [
        {name: row[name] for name in ("statistic", "centre", "lower", "upper", "beyond", "rule", "mature")}
        | {"chart": f"{kind}:{dimension}:{level}:infection", "dimension": dimension, "level": level}
        | {"complication": "infection", "subgroup": f"{at:04}", "n": 200, "observed": round(200 * row["statistic"])}
        | {"in_baseline": row["in_baseline"], "phase": row["phase"], "phase_from": row["phase_from"]}
        | {
            "signal": row["beyond"] == ("above" if kind == "p" else "below"),
            "rule_side": row["beyond"] or ("above" if row["rule"] else None),
        }
        | {"from_on": row["day"], "to_on": row["day"] + timedelta(days=6), "baseline": row["centre"]}
        | {"baseline_from": date(2028, 1, 3), "baseline_to": row["phase_from"] + timedelta(days=181)}
        | {"why": "A typical week is expected to have 6.0 events: enough to compare."}
        | {"reason": "the first weeks on record" if row["phase"] == 1 else f"studs of kind {row['phase']}"}
        for at, row in enumerate(frame.iter_rows(named=True))
    ]
    return level, written(results={"control_charts": rows})


def control(figures: Figures, slice_: tuple[str, Edition]) -> Figure | None:
    """The control chart of a slice."""
    level, edition = slice_
    return control_figure(figures, edition, "all" if level == "all" else "branch", level)


CONTROL_FIGURE = Component(
    drawn(
        control,
        {
            NO_DATA: ("all", written()),
            ONE: charted([*SHARES[:50], 0.075, *SHARES[51:]], baseline=26, young=6, fired=(40,)),
            NO_EVENT: charted([0.0] * 40, limits=(0.0, 0.002, 0.02), baseline=26),
            ALL_EVENTS: charted([1.0] * 40, baseline=26),
            PROVISIONAL: charted(SHARES[:8], baseline=8, young=8),
            "one week": charted([0.03]),
            "weeks missing": charted(SHARES[: len(GAPS)], back=GAPS),
            "three phases": charted(wave(120, 0.028, 0.018), baseline=26, young=6, breaks=(40, 90)),
            "runs": charted([*RUNS[:30], 9.0, *RUNS[31:]], kind="g", limits=RUN_LIMITS, baseline=10, young=1),
            "long name": charted(SHARES[:20], level=LONG),
            "right-to-left name": charted(SHARES[:20], level=HEBREW),
        },
    ),
    {MANY: ONE_SLICE},
)


def incident(identifier: str = "I-1", *, level: str = "L1", dimension: str = "lot", **changes: Any) -> dict[str, Any]:
    """An open incident with its weeks and explanations: 30 of 200 piercings, 6 expected."""
    row = {
        "incident_id": identifier, "opened_on": AS_OF - timedelta(days=3), "complication": "infection",
        "dimension": dimension, "level": level, "state": "new", "started_on": AS_OF - timedelta(days=100),
        "observed": 30, "expected": 6.2, "ratio": 4.84, "ratio_low": 3.27, "ratio_high": 6.91, "signals": 2,
        "exposed": 200, "still_exposed": 41, "ended_on": AS_OF, "standing_on": AS_OF, "cause_dimension": dimension,
        "cause_level": level, "against": None, "provisional": False,
    }  # fmt: skip
    weeks = [
        {"incident_id": identifier, "week": day, "procedures": 15, "observed": round(max(0, seen)), "expected": 0.5}
        for day, seen in zip(reversed(mondays(26)), wave(26, 1.2, 1.6), strict=True)
    ]
    explanations = [
        {"incident_id": identifier, "rank": rank, "dimension": kind, "level": name, "evidence": evidence}
        | {"share": share, "observed": 30, "expected": 6.2}
        for rank, (kind, name, evidence, share) in enumerate(
            [(dimension, level, 9.0, 0.98), ("branch", "B1", 2.0, 0.4), ("site_group", "lobe", 0.1, 0.1)], 1
        )
    ]
    return {"incidents": [row | changes], "incident_weeks": weeks, "explanations": explanations}


def watched(*incidents: dict[str, Any]) -> Edition:
    """An edition of open incidents."""
    names = ("incidents", "incident_weeks", "explanations")
    return written(results={name: [row for one in incidents for row in one[name]] for name in names})


NO_WEEKS: dict[str, Any] = {"incident_weeks": [], "explanations": []}
INCIDENTS = {
    NO_DATA: watched(),
    ONE: watched(incident()),
    NO_EVENT: watched(incident(observed=0, ratio=None, ratio_low=None, ratio_high=None)),
    ALL_EVENTS: watched(incident(observed=200, ratio=32.3, ratio_low=28.0, ratio_high=37.1)),
    PROVISIONAL: watched(incident(provisional=True, against="more_asked;recorded_at_once;few")),
    "two incidents": watched(incident(), incident("I-2", dimension="branch", level="B1")),
    "neither weeks nor explanations": watched(incident() | NO_WEEKS),
    "long and right-to-left names": watched(
        incident("I-1", dimension="branch", level=LONG, cause_dimension="lot", cause_level="L1"),
        incident("I-2", dimension="branch", level=HEBREW),
        incident("I-3", dimension="branch", level=ARABIC),
    ),
    "over, and no longer in use": watched(incident(ended_on=AS_OF - timedelta(days=40), state="looked_into")),
}

INCIDENTS_WORDS = Component(
    named(incidents_words, {name: INCIDENTS[name] for name in (NO_DATA, ONE, "two incidents")}),
    dict.fromkeys((MANY, NO_EVENT, ALL_EVENTS, PROVISIONAL), "counts incidents, whatever they rest on"),
)
TOLD_INCIDENTS = Component(drawn(told_incidents, INCIDENTS), {MANY: "an incident is told alike in a chain of any size"})


def slices(names: Sequence[str], **changes: Any) -> Edition:
    """What the watch follows of branches tonight."""
    rows = [
        {"complication": "infection", "dimension": "branch", "level": name, "observed": 12, "expected": 9.4}
        | {"from_on": AS_OF - timedelta(days=182), "evidence": 1.0, "threshold": 6.0}
        | changes
        for name in names
    ]
    return written(results={"watched_slices": rows})


SLICES_TABLE = Component(
    named(
        slices_table,
        {
            NO_DATA: written(),
            ONE: slices(["B1"]),
            MANY: slices(ids(1000)),
            NO_EVENT: slices(["B1"], observed=0, evidence=None),
            ALL_EVENTS: slices(["B1"], observed=600, evidence=300.0),
            "long and right-to-left names": slices([LONG, HEBREW, ARABIC]),
        },
    ),
    {PROVISIONAL: "how thresholds were set is told beside it"},
)


def budget(simulated: float | None, states: Sequence[str] = ()) -> Edition:
    """The thresholds of infection, and signals of the last year by what became of them."""
    threshold = {"complication": "infection", "dimension": "all", "holds_from": AS_OF - timedelta(days=200)}
    threshold |= {"threshold": 6.0, "budget": 4.0, "simulated_a_year": simulated}
    signals = [
        {"signal_id": f"S-{at}", "raised_on": AS_OF, "complication": "infection", "state": state}
        | {"incident_id": f"I-{at}"}
        for at, state in enumerate(states)
    ]
    return written(results={"thresholds": [threshold], "signals": signals})


BUDGET_WORDS = Component(
    named(
        budget_words,
        {
            NO_DATA: written(),
            ONE: budget(3.9, ["new"]),
            NO_EVENT: budget(3.9),
            ALL_EVENTS: budget(3.9, ["chance"] * 12),
            PROVISIONAL: budget(None),
        },
    ),
    {MANY: WHOLE_CHAIN},
)

WATCH = {
    "budget_words": BUDGET_WORDS,
    "control_figure": CONTROL_FIGURE,
    "false_alarm": Component(named(lambda _: false_alarm(), {"always": None}), dict.fromkeys(EDGES, "is a constant")),
    "incidents_words": INCIDENTS_WORDS,
    "slices_table": SLICES_TABLE,
    "told_incidents": TOLD_INCIDENTS,
}
