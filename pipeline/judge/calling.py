"""The follow-ups to make today: which visits, why, and how urgent. Pure decisions over the measures.

Where no source is named for a number of days it is common practice.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import polars as pl

from pipeline.contract import vocabulary as v
from pipeline.judge.tracing import exposed_to

RED_FLAG, SIGNAL, UNRESOLVED = "red_flag", "signal", "unresolved"
MISSED_REVISIT, FIRST_CHECK = "missed_revisit", "first_check"
REASONS = (RED_FLAG, SIGNAL, UNRESOLVED, MISSED_REVISIT, FIRST_CHECK)
"""Why a visit is called, the most urgent first."""

RED_KINDS = ("perichondritis", "systemic_infection", "embedded_stud", "excess_bleeding")
"""Complications that need medical care the same day."""
RED_SEVERITY = 3
"""Severity from which any other needs it too: urgent care, drainage, admission or lasting deformity."""
OPEN_DAYS = 90
"""Days after its report for which a complication that nobody said was over is asked after: the longest window in which
one that heals begins."""
UNRESOLVED_DAYS = 7
"""Days after which a complication is asked after again."""
REBOOKING_DAYS = 14
"""Days a client has to book anew after a revisit missed."""
MISSED_DAYS = 60
"""Days for which a missed revisit is followed up."""
FIRST_CHECK_DAYS = 14
"""Day after a piercing by which its client should have been asked: a rise in infections shows that early."""
MOST_NO_ANSWERS = 3
"""Attempts without an answer after which asking ends, red flags apart."""
REST_DAYS = 1
"""Days after an attempt on which a visit is not asked again, the day itself apart; red flags are."""


MEASURES = ("traced_piercings", "traced_batches", "traced_reports", "contacted_visits", "missed_revisits")
SCHEMA: dict[str, type[pl.DataType]] = {
    "visit_id": pl.String,
    "reason": pl.String,
    "about": pl.String,
    "since": pl.Date,
    "due_on": pl.Date,
}
"""A reason to call: what it is about (a complication, a signal's slice), since when it stands, by when to call."""


@dataclass(frozen=True)
class Asking:
    """The measures as of a day, and the open signals that a night kept.

    `piercings` is traced_piercings, `batches` traced_batches, `reports` traced_reports, `visits` contacted_visits,
    `missed` missed_revisits.
    """

    as_of: date
    piercings: pl.DataFrame
    batches: pl.DataFrame
    reports: pl.DataFrame
    visits: pl.DataFrame
    missed: pl.DataFrame
    signals: pl.DataFrame

    def within(self, column: str, first: int, last: int) -> pl.Expr:
        """Whether a day lies from `first` to `last` days before the as-of date."""
        return pl.col(column).is_between(self.as_of - timedelta(days=last), self.as_of - timedelta(days=first))


def judge_calls(measures: Mapping[str, pl.DataFrame], signals: pl.DataFrame, as_of: date) -> pl.DataFrame:
    """calls: the visits to call on a day, from the measures named in `MEASURES` and the result signals."""
    return due_calls(
        Asking(
            as_of=as_of,
            piercings=measures["traced_piercings"],
            batches=measures["traced_batches"],
            reports=measures["traced_reports"],
            visits=measures["contacted_visits"],
            missed=measures["missed_revisits"],
            signals=signals.filter(~pl.col("state").is_in(v.SIGNALS_OVER)),
        )
    ).with_columns(pl.col("others").list.join("; ").replace("", None))


def due_calls(asking: Asking) -> pl.DataFrame:
    """A row for each visit to call, the most urgent first: branch_id, the columns of `SCHEMA`, urgency from 1, others.

    A visit stands under its most urgent reason; `others` names the rest.
    """
    found = pl.concat([pl.DataFrame(schema=SCHEMA), *_reasons(asking)])
    order = {reason: at for at, reason in enumerate(REASONS, start=1)}
    due = found.join(asking.visits, on="visit_id").filter((pl.col("reason") == RED_FLAG) | _may_be_asked(asking))
    return (
        due.with_columns(pl.col("reason").replace_strict(order, return_dtype=pl.Int64).alias("urgency"))
        .sort("urgency", "due_on", "since", "about")
        .group_by("branch_id", "visit_id", maintain_order=True)
        .agg(
            pl.col("urgency", "reason", "about", "since", "due_on").first(),
            pl.col("reason").unique(maintain_order=True).alias("others"),
        )
        .with_columns(pl.col("others").list.slice(1))
        .sort("urgency", "due_on", "branch_id", "visit_id")
    )


def _may_be_asked(asking: Asking) -> pl.Expr:
    """Whether a visit may be asked again: not asked lately, not in vain too often, not declined."""
    last = pl.max_horizontal("last_asked_on", "last_answered_on")
    rested = last < asking.as_of - timedelta(days=REST_DAYS)
    return rested.fill_null(value=True) & (pl.col("no_answers") < MOST_NO_ANSWERS) & ~pl.col("is_declined")


def _reasons(asking: Asking) -> Iterator[pl.DataFrame]:
    yield red_flags(asking)
    yield from (of_signal(asking, signal) for signal in asking.signals.iter_rows(named=True))
    yield unresolved(asking)
    yield missed_revisits(asking)
    yield first_checks(asking)


_IS_GRAVE = pl.col("kind").is_in(RED_KINDS) | (pl.col("severity") >= RED_SEVERITY).fill_null(value=False)
_IS_RED = _IS_GRAVE & pl.col("clinician_on").is_null()


def red_flags(asking: Asking) -> pl.DataFrame:
    """Open complications that need medical care the same day, where no clinician is known to have seen the client."""
    found = _open(asking, 0).filter(_IS_RED)
    return _told(found, RED_FLAG, pl.col("kind"), pl.col("reported_on"), pl.lit(asking.as_of))


def unresolved(asking: Asking) -> pl.DataFrame:
    """Other complications that nobody has said are over, a week or more after their report."""
    day = pl.col("reported_on")
    found = _open(asking, UNRESOLVED_DAYS).filter(~_IS_RED)
    return _told(found, UNRESOLVED, pl.col("kind"), day, day + timedelta(days=UNRESOLVED_DAYS))


def _open(asking: Asking, least_days: int) -> pl.DataFrame:
    """Complications that stand open, told by a contact: what happened during the piercing was dealt with there."""
    return asking.reports.filter(
        asking.within("reported_on", least_days, OPEN_DAYS)
        & ~pl.col("is_immediate")
        & pl.col("over_on").is_null()
        & (pl.col("kind") != "faint")
    )


def of_signal(asking: Asking, signal: dict[str, Any]) -> pl.DataFrame:
    """Those exposed since an open signal's start, as long as an answer can tell, who were not heard from.

    Heard from: an asked answer since the signal was raised, or one that vouches for the complication's window. A signal
    of the whole chain, or of a site, an ear or an age alone, points at no exposure.
    """
    raised_on, dimension, level = signal["raised_on"], signal["dimension"], signal["level"]
    if raised_on > asking.as_of or not set(dimension.split(":")) & set(v.CAUSES):
        return pl.DataFrame(schema=SCHEMA)
    window = next((c.window_days for c in v.COMPLICATIONS if c.name == signal["complication"]), v.ANY.window_days)
    first, last = v.answer_days(window)
    answered = pl.col("last_answered_on")
    found = (
        exposed_to(asking.piercings, asking.batches, dimension, level)
        .join(asking.visits.select("visit_id", "last_answered_on"), on="visit_id")
        .filter(asking.within("performed_on", 0, last) & (pl.col("performed_on") >= signal["started_on"]))
        .filter(
            ((answered < raised_on) & (answered < pl.col("performed_on") + timedelta(days=first))).fill_null(value=True)
        )
    )
    since = pl.max_horizontal(pl.lit(raised_on), pl.col("performed_on"))
    about = f"{signal['complication']}|{dimension}|{level}"
    return _told(found, SIGNAL, pl.lit(about), since, since)


def missed_revisits(asking: Asking) -> pl.DataFrame:
    """Revisits missed and not booked anew in time, where the client was not heard from since."""
    found = (
        asking.missed.filter(asking.within("starts_on", REBOOKING_DAYS, MISSED_DAYS))
        .join(asking.visits.select("visit_id", "last_answered_on"), on="visit_id")
        .filter((pl.col("last_answered_on") < pl.col("starts_on")).fill_null(value=True))
    )
    day = pl.col("starts_on")
    return _told(found, MISSED_REVISIT, pl.col("status"), day, day + timedelta(days=REBOOKING_DAYS))


def first_checks(asking: Asking) -> pl.DataFrame:
    """Visits that nobody has asked after yet, of branches that ask, as long as an answer vouches for infection."""
    day = pl.col("visited_on")
    found = asking.visits.filter(
        asking.within("visited_on", FIRST_CHECK_DAYS, v.answer_days(v.INFECTION.window_days)[1])
        & (pl.col("attempts") == 0)
        & pl.col("last_answered_on").is_null()
        & (pl.col("follow_up_policy") != "passive").fill_null(value=True)
    )
    return _told(found, FIRST_CHECK, pl.lit(None, dtype=pl.String), day, day + timedelta(days=FIRST_CHECK_DAYS))


def _told(found: pl.DataFrame, reason: str, about: pl.Expr, since: pl.Expr, due_on: pl.Expr) -> pl.DataFrame:
    told = {"visit_id": pl.col("visit_id"), "reason": pl.lit(reason), "about": about, "since": since, "due_on": due_on}
    return found.select(told[name].cast(dtype).alias(name) for name, dtype in SCHEMA.items())
