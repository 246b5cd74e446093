"""The night's watch as results: signals and incidents, what may be behind them, and what every threshold rests on."""

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

import numpy as np
import polars as pl

from pipeline.contract import vocabulary as v
from pipeline.results import RESULT_BY_NAME
from pipeline.stats.cohort_evidence import WINDOWS
from pipeline.stats.standardise import standardised_ratio
from pipeline.watch.against import speaks_against
from pipeline.watch.answers import answers
from pipeline.watch.arrays import NEVER
from pipeline.watch.cohort import Cohort
from pipeline.watch.expected import expect, reference_ends_days
from pipeline.watch.explanations import Explanation, explain
from pipeline.watch.families import FAMILIES
from pipeline.watch.frames import Settled, assumed_risk, day_number, day_of, make_cohorts
from pipeline.watch.incidents import Incident, watch_night
from pipeline.watch.limits import BY_SIZE, in_force
from pipeline.watch.signal import Signal, region

Frames = dict[str, pl.DataFrame]

RESULTS = ("signals", "incidents", "explanations", "incident_weeks", "watched_slices", "thresholds", "answers")
METHOD = "cohort evidence"
NEW, FADED = "new", "faded"
EXPLAINED, CHANCE, CLOSED, LOOKED_INTO = "explained", "chance", "closed", "looked_into"
SETTLING = (EXPLAINED, CHANCE, CLOSED)
"""States after which an incident is no longer open."""
STATES = (NEW, LOOKED_INTO, EXPLAINED, CHANCE, CLOSED)
"""States that a note may give; `faded` comes by itself."""
FALSE_ALARMS_CHAIN, FALSE_ALARMS_STUDIO = 4.0, 0.5
"""False alarms of infection a year that a chain and a single branch accept, unless the settings say otherwise."""
SHOWN_FAMILIES = ("all", "branch", "site_group", "material", "article", "batch")
"""Families whose slices are listed while quiet; people and their sites are not."""
_IS_FIRST = pl.col("signal_id").str.slice(2) == pl.col("incident_id").str.slice(2)
"""Whether a signal opened its incident: the incident then has its digest."""
TOLD_EXPLANATIONS = 6
"""Explanations of an incident that are kept."""


NOTE_SCHEMA: dict[str, type[pl.DataType]] = {
    "incident_id": pl.String,
    "noted_on": pl.Date,
    "state": pl.String,
    "cause_dimension": pl.String,
    "cause_level": pl.String,
}
"""Notes as the watch needs them, oldest first: what was found of an incident, and the slice that is its cause."""


@dataclass(frozen=True, eq=False)
class Memory:
    """What earlier nights left: their `signals` and `thresholds`, as these results, and the `notes` made since.

    Thresholds in force are solved again where the chain is of another size, unless not `may_solve`.
    """

    signals: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=RESULT_BY_NAME["signals"].schema))
    thresholds: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=RESULT_BY_NAME["thresholds"].schema))
    notes: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=NOTE_SCHEMA))
    may_solve: bool = True


def watch(
    measures: Mapping[str, pl.DataFrame],
    as_of: date,
    memory: Memory,
    false_alarms: float | None,
    names: Sequence[str] = RESULTS,
) -> Frames:
    """The results of the watch on a day, all or those named, from the measures as they were then known.

    `false_alarms` is the budget of infection a year; None for the default of the chain's size. The other complications
    have as many again together.
    """
    notes = memory.notes.filter(pl.col("noted_on") <= as_of)
    before = _before(memory.signals, as_of)
    parts: dict[str, list[pl.DataFrame]] = {name: [] for name in names}
    if not measures["cohort_piercings"].is_empty():
        cohorts = make_cohorts(measures, _settled(before, notes))
        n_branches = next(iter(cohorts.values())).n_branches
        budget = false_alarms or (FALSE_ALARMS_CHAIN if n_branches > 1 else FALSE_ALARMS_STUDIO)
        for complication, cohort in cohorts.items():
            share = budget if complication == v.INFECTION.name else budget / (len(cohorts) - 1)
            own = before.filter(pl.col("complication") == complication)
            found = _Watched(complication, cohort, as_of, own, notes, share, memory).results(names)
            for name, frames in found.items():
                parts[name] += frames
    return {name: RESULT_BY_NAME[name].gather(frames) for name, frames in parts.items()}


def _before(signals: pl.DataFrame, as_of: date) -> pl.DataFrame:
    """The signals that were raised by a day, as they stood on it."""
    return signals.filter(pl.col("raised_on") <= as_of).with_columns(
        pl.when(pl.col("faded_on") <= as_of).then("faded_on").alias("faded_on"),
        pl.min_horizontal("standing_on", pl.lit(as_of)).alias("standing_on"),
    )


def _settled(signals: pl.DataFrame, notes: pl.DataFrame) -> list[Settled]:
    """The slices that notes settled: from the incident's estimated start to the day of the note."""
    first = signals.filter(_IS_FIRST)
    last = notes.unique("incident_id", keep="last", maintain_order=True).filter(pl.col("state").is_in(SETTLING))
    return [
        Settled(
            row["complication"],
            (row["cause_dimension"] or row["dimension"], row["cause_level"] or row["level"]),
            row["started_on"],
            row["noted_on"],
            row["state"] == EXPLAINED,
            (row["dimension"], row["level"]),
        )
        for row in last.join(first, on="incident_id", maintain_order="left").iter_rows(named=True)
    ]


def _remembered(rows: pl.DataFrame) -> tuple[Incident, ...]:
    """Open incidents from their signals as they were kept, each with the signal that opened it first."""
    incidents = []
    for own in rows.sort(~_IS_FIRST, "raised_on", "signal_id").partition_by("incident_id", maintain_order=True):
        signals = tuple(
            Signal((row["dimension"], row["level"]), day_number(row["raised_on"]), day_number(row["started_on"]))
            for row in own.iter_rows(named=True)
        )
        incidents.append(Incident(signals, day_number(own["standing_on"].max())))  # type: ignore[arg-type]
    return tuple(incidents)


class _Watched:
    """One complication's night."""

    def __init__(
        self,
        complication: str,
        cohort: Cohort,
        as_of: date,
        before: pl.DataFrame,
        notes: pl.DataFrame,
        budget: float,
        memory: Memory,
    ) -> None:
        self.complication, self.as_of, self.number = complication, as_of, day_number(as_of)
        self.cohort = cohort.known_on(self.number)
        self.expected = expect(self.cohort, self.number, assumed_risk(cohort, complication))
        self.limits, self._thresholds = in_force(
            complication,
            self.cohort,
            self.number,
            as_of,
            self.expected,
            budget,
            memory.thresholds,
            memory.may_solve,
        )
        self.states = dict(notes.select("incident_id", "state").iter_rows())  # of several notes the last
        settled = [incident_id for incident_id, state in self.states.items() if state in SETTLING]
        is_open = before["faded_on"].is_null() & ~before["incident_id"].is_in(settled)
        self.night = watch_night(
            _remembered(before.filter(is_open)), self.cohort, self.number, self.expected, self.limits
        )
        self.closed = before.filter(~is_open)
        self.told: dict[Incident, tuple[Explanation, ...]] = {}

    def results(self, names: Sequence[str]) -> dict[str, list[pl.DataFrame]]:
        """The frames of each result named."""
        return {name: getattr(self, name)() for name in names}

    def _incidents(self) -> Iterable[tuple[str, Incident, date | None]]:
        """Each incident known on the night with its id, that of its first signal, and the day, where it faded on it."""
        for incident in (*self.night.open, *self.night.faded):
            first = incident.first
            incident_id = identifier("I", self.complication, first.name, day_of(first.raised))
            yield incident_id, incident, self.as_of if incident in self.night.faded else None

    def signals(self) -> list[pl.DataFrame]:
        """Every signal known: those of open incidents as they stand, others as they were left."""
        rows = _with_ratios(
            [
                self._signal(signal, incident_id, incident, faded_on)
                for incident_id, incident, faded_on in self._incidents()
                for signal in incident.signals
            ]
        )
        if self.closed.is_empty():
            return _framed(rows)
        closed = self.closed.with_columns(
            pl.when(pl.col("faded_on").is_not_null() & ~pl.col("incident_id").is_in(list(self.states)))
            .then(pl.lit(FADED))
            .otherwise(pl.col("incident_id").replace_strict(self.states, default=NEW, return_dtype=pl.String))
            .alias("state")
        )
        return [closed, *_framed(rows)]

    def _signal(self, signal: Signal, incident_id: str, incident: Incident, faded_on: date | None) -> dict[str, object]:
        inside = region(signal, self.cohort, self.expected)
        recent = self.expected.recent[inside]
        observed = int((self.cohort.recorded[recent] != NEVER).sum())
        usual = float(self.expected.so_far[inside].sum())
        at = self.cohort.slices.index.get(signal.name)
        score = self.night.scores.score[at] if at is not None else -np.inf
        days = self.cohort.performed[recent]
        return {
            "signal_id": identifier("S", self.complication, signal.name, day_of(signal.raised)),
            "raised_on": day_of(signal.raised),
            "complication": self.complication,
            "dimension": signal.name[0],
            "level": signal.name[1],
            "method": METHOD,
            "started_on": day_of(signal.started),
            "observed": observed,
            "expected": usual,
            "statistic": float(score) if np.isfinite(score) else None,
            "threshold": float(self.limits[FAMILIES.index(signal.name[0])]),
            "state": FADED if faded_on else self.states.get(incident_id, NEW),
            "procedures": len(recent),
            "ended_on": day_of(int(days.max())) if len(days) else None,
            "incident_id": incident_id,
            "standing_on": day_of(incident.standing),
            "faded_on": faded_on,
        }

    def incidents(self) -> list[pl.DataFrame]:
        """Open incidents: the likeliest explanation, what is observed and expected, and who is still exposed."""
        rows = []
        for incident_id, incident, faded_on in self._incidents():
            if faded_on is None:
                row = self._signal(incident.first, incident_id, incident, None)
                inside = region(incident.first, self.cohort, self.expected)
                recent = self.expected.recent[inside]
                age = self.number - self.cohort.performed[recent]
                unheard = (self.cohort.recorded[recent] == NEVER) & (self.cohort.answered[recent] == NEVER)
                still = unheard & (age <= self.cohort.window_days)
                told = self._told(incident)
                row |= {
                    "opened_on": day_of(incident.first.raised),
                    "signals": len(incident.signals),
                    "exposed": len(recent),
                    "still_exposed": int(still.sum()),
                    "cause_dimension": told[0].name[0] if told else incident.first.name[0],
                    "cause_level": told[0].name[1] if told else incident.first.name[1],
                    "against": ";".join(speaks_against(incident.first, self.cohort, self.expected)),
                    "provisional": self._thresholds["basis"].tail(1).to_list() == [BY_SIZE],
                }
                rows.append(row)
        return _framed(_with_ratios(rows))

    def _told(self, incident: Incident) -> tuple[Explanation, ...]:
        """What may be behind an incident, worked out once for the two results that tell it."""
        if incident not in self.told:
            self.told[incident] = explain(incident, self.cohort, self.expected)[:TOLD_EXPLANATIONS]
        return self.told[incident]

    def explanations(self) -> list[pl.DataFrame]:
        """What may be behind each open incident, likeliest first."""
        rows = [
            {
                "incident_id": incident_id,
                "rank": place,
                "dimension": one.name[0],
                "level": one.name[1],
                "evidence": one.evidence,
                "share": one.share,
                "observed": one.observed,
                "expected": one.expected,
            }
            for incident_id, incident, faded_on in self._incidents()
            if faded_on is None
            for place, one in enumerate(self._told(incident), start=1)
        ]
        return _framed(rows)

    def incident_weeks(self) -> list[pl.DataFrame]:
        """The last half year of each open incident's slice by week of the piercing: observed, and expected so far."""
        return [
            self._weeks(incident.first).with_columns(pl.lit(incident_id).alias("incident_id"))
            for incident_id, incident, faded_on in self._incidents()
            if faded_on is None
        ]

    def _weeks(self, signal: Signal) -> pl.DataFrame:
        whole = Signal(signal.name, signal.raised, 0)
        inside = region(whole, self.cohort, self.expected)
        recent = self.expected.recent[inside]
        return (
            pl.DataFrame(
                {
                    "day": pl.Series(self.cohort.performed[recent]).cast(pl.Int32).cast(pl.Date),
                    "observed": (self.cohort.recorded[recent] != NEVER).astype(np.int64),
                    "expected": self.expected.so_far[inside],
                }
            )
            .group_by(pl.col("day").dt.truncate("1w").alias("week"))
            .agg(pl.len().alias("procedures"), pl.col("observed").sum(), pl.col("expected").sum())
        )

    def watched_slices(self) -> list[pl.DataFrame]:
        """Slices of the families that are listed: the last half year, the likeliest window, and the evidence."""
        scores, slices = self.night.scores, self.cohort.slices
        shown = np.isin(slices.family, [FAMILIES.index(name) for name in SHOWN_FAMILIES]) & (scores.expected[:, -1] > 0)
        at = np.flatnonzero(shown)
        window = scores.window[at]
        frame = pl.DataFrame(
            {
                "complication": pl.Series([self.complication] * len(at), dtype=pl.String),
                "dimension": [slices.names[one][0] for one in at],
                "level": [slices.names[one][1] for one in at],
                "observed": scores.observed[at, -1].astype(np.int64),
                "expected": scores.expected[at, -1],
                "from_on": pl.Series([day_of(self.number + 1 - int(WINDOWS[one])) for one in window], dtype=pl.Date),
                "evidence": np.where(np.isfinite(scores.score[at]), scores.score[at], np.nan),
                "threshold": self.limits[slices.family[at]],
            },
            schema_overrides={"dimension": pl.String, "level": pl.String},
        )
        return [frame]

    def thresholds(self) -> list[pl.DataFrame]:
        """Every threshold set known, the one in force last."""
        return [self._thresholds]

    def answers(self) -> list[pl.DataFrame]:
        """Each branch's answers of the last weeks beside those before, as they vouch for infection."""
        if self.complication != v.INFECTION.name:
            return []
        told = answers(self.cohort, self.number)
        return [
            pl.DataFrame(
                {
                    "branch_id": self.cohort.branch_ids,
                    "from_on": day_of(self.number + 1 - reference_ends_days(self.cohort.window_days)),
                    "visits": told.visits,
                    "due": told.due,
                    "answered": told.answered,
                    "visits_before": told.visits_before,
                    "answered_before": told.answered_before,
                    "chance_fewer": told.fewer,
                    "chance_more": told.more,
                    "change": pl.Series(told.change.tolist(), dtype=pl.String),
                }
            )
        ]


def _with_ratios(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Rows with the ratio of observed to expected and its interval."""
    if not rows:
        return rows
    observed, usual = (np.array([row[name] for row in rows], dtype=np.float64) for name in ("observed", "expected"))
    ratio = standardised_ratio(observed, usual)
    columns = {"ratio": ratio.ratio, "ratio_low": ratio.low, "ratio_high": ratio.high}
    return [row | {name: float(values[at]) for name, values in columns.items()} for at, row in enumerate(rows)]


def _framed(rows: list[dict[str, Any]]) -> list[pl.DataFrame]:
    return [pl.DataFrame(rows, infer_schema_length=None)] if rows else []


def identifier(letter: str, complication: str, name: tuple[str, str], raised_on: date) -> str:
    """The name that a signal or an incident keeps: a digest of what it is about and the day it was raised."""
    text = "|".join((complication, *name, raised_on.isoformat()))
    return f"{letter}-{hashlib.sha256(text.encode()).hexdigest()[:10]}"
