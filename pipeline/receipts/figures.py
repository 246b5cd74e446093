"""Figures that can be explained, and how one is named: `weekly/week=2031-05-05,branch_id=B01`.

A figure is a row of a published table: the table's name, then what tells the row apart, by the table's own columns. A
part may be left out as long as one row is meant. A comma ends a value only where a word and = follow it.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from difflib import get_close_matches

import polars as pl

from pipeline.errors import UsageError
from pipeline.results import RESULT_BY_NAME

_MOST_LISTED = 12
_HINTS = 3


@dataclass(frozen=True)
class Explained:
    """A published table whose figures can be explained.

    `measures` count them, as `pipeline.receipts.published` has it; `counts` are the columns that count something,
    `amounts` those that add up money. `says` defines them in a sentence, `link` leads to more. `complication` is what
    the figures are about, where no column tells.
    """

    table: str
    measures: tuple[str, ...]
    counts: tuple[str, ...]
    says: str
    link: str
    example: str
    amounts: tuple[str, ...] = ()
    complication: str = ""

    @property
    def grain(self) -> tuple[str, ...]:
        """The columns that tell a figure's row apart."""
        return RESULT_BY_NAME[self.table].grain

    @property
    def form(self) -> str:
        """How a figure of the table is named."""
        return f"{self.table}/{','.join(f'{column}=…' for column in self.grain)}"


_EVENTS = (
    "Procedures are completed piercings old enough, of 364 days; events are those with a report whose onset lies in "
)
_ANSWERED = "reached those the branch asked after and got an answer of, in days that vouch for the window."
_REACHED = f"the window, and {_ANSWERED}"
_BY_MODEL = "rest on what like piercings had and count no records."

EXPLAINED: tuple[Explained, ...] = (
    Explained(
        "complication_rates",
        ("complication_counts",),
        ("procedures", "events", "reached", "events_reached", "attributed"),
        f"{_EVENTS}{_REACHED}",
        "methods.html#old-enough",
        "complication_rates/dimension=branch,level=B01,complication=infection",
    ),
    Explained(
        "material_sites",
        ("material_sites",),
        ("procedures", "events", "reached", "events_reached"),
        f"{_EVENTS}{_REACHED}",
        "methods.html#old-enough",
        "material_sites/complication=contact_allergy,material=gold,site_group=lobe",
    ),
    Explained(
        "branch_practitioners",
        ("branch_practitioners",),
        ("procedures", "events", "reached"),
        f"{_EVENTS}{_REACHED} Events are infections.",
        "methods.html#old-enough",
        "branch_practitioners/branch_id=B01,practitioner_id=P-001,site_group=lobe",
        complication="infection",
    ),
    Explained(
        "comparison",
        ("complication_counts",),
        ("procedures", "observed", "reached"),
        f"{_EVENTS}{_REACHED} Observed are events. Expected, ratio and limits {_BY_MODEL}",
        "methods.html#comparison",
        "comparison/branch_id=B01,complication=infection",
    ),
    Explained(
        "exposures",
        ("exposed_piercings", "exposure_levels"),
        ("procedures", "observed"),
        f"{_EVENTS}the window, and count as observed. A cause that stands out has what it had when it was chosen, "
        f"without piercings of causes chosen before. Expected, ratio and limit {_BY_MODEL}",
        "methods.html#causes",
        "exposures/complication=infection,dimension=article,level=A-001",
    ),
    Explained(
        "client_shares",
        ("client_counts",),
        ("procedures", "events", "clients", "clients_with"),
        f"{_EVENTS}the window. A client is counted by the first of their piercings, as affected by the first with an "
        "event; where no client was recorded a visit counts as one. Shares and ranges follow from these.",
        "methods.html#clients",
        "client_shares/complication=infection",
    ),
    Explained(
        "onsets",
        ("first_onsets", "first_met"),
        ("at_risk", "onsets"),
        "At risk are piercings of the last year, and of the days before it that the curve needs, that were known about "
        "on that day and had met nothing before it; onsets those that met this first, on that day. Shares rest on all "
        "days up to it and count no records.",
        "methods.html#onsets",
        "onsets/complication=infection,day=7",
    ),
    Explained(
        "coverage",
        ("coverage_weeks",),
        ("procedures", "reached"),
        f"Procedures are the week’s completed piercings; {_ANSWERED}",
        "methods.html#reached",
        "coverage/week=2031-05-05,branch_id=B01",
        complication="infection",
    ),
    Explained(
        "weekly",
        ("weekly_counts",),
        ("visits", "procedures", "infections_observed"),
        "Piercings and infections stand in the week of the piercing, visits in that of their first, money in that of "
        "the sale: sales, gifts and bundle parts less refunds.",
        "methods.html#week",
        "weekly/week=2031-05-05,branch_id=B01",
        amounts=("aftercare_net", "jewellery_net"),
        complication="infection",
    ),
    Explained(
        "completion",
        ("infection_days", "infection_delays"),
        ("procedures", "seen"),
        "Procedures are the week’s completed piercings, seen those with an infection known so far. What there will be "
        "in the end rests on how late infections became known and counts no records.",
        "methods.html#completion",
        "completion/dimension=branch,level=B01,week=2031-05-05",
        complication="infection",
    ),
    Explained(
        "attach",
        ("attach_counts",),
        ("eligible_visits", "attached_visits", "provided_visits", "linked_visits"),
        "Eligible are visits with a completed piercing; attached those whose aftercare sold, less refunds in 14 days, "
        "comes to more than nothing; provided counts gifts and bundle parts too; linked have any receipt line.",
        "methods.html#attach",
        "attach/dimension=branch,level=B01,period=week:2031-05-05",
    ),
    Explained(
        "revisits",
        ("revisit_counts",),
        ("due", "attended", "no_show", "cancelled_late", "unknown", "threads", "kept_in_the_end"),
        "Due is every revisit that has started and was neither cancelled early nor moved; still booked, it is unknown. "
        "A thread is a booking with those it was moved to, counted by the first of them.",
        "methods.html#due",
        "revisits/dimension=branch,level=B01,period=52w",
    ),
)

EXPLAINED_BY_NAME = {one.table: one for one in EXPLAINED}


@dataclass(frozen=True)
class Figure:
    """A figure asked for: its table, and its row under the published names.

    `not_counted` are piercings of its level and days that it does not count, by id, each with why and more of that.
    """

    explained: Explained
    row: Mapping[str, object]
    not_counted: Mapping[str, tuple[str, str]] = field(default_factory=dict)

    @property
    def key(self) -> dict[str, object]:
        """What tells the row apart."""
        return {column: self.row[column] for column in self.explained.grain}

    @property
    def name(self) -> str:
        """The figure's name in full."""
        parts = (f"{column}={'' if value is None else value}" for column, value in self.key.items())
        return f"{self.explained.table}/{','.join(parts)}"


def read_name(name: str) -> tuple[Explained, dict[str, str]]:
    """The table that a figure's name begins with, and its parts by column; `UsageError` where there is none such."""
    table, _, rest = name.strip().partition("/")
    explained = EXPLAINED_BY_NAME.get(table)
    if explained is None:
        raise UsageError(
            f"No figure of a table {table} can be explained.{_nearest(table, EXPLAINED_BY_NAME)}",
            remedy=f"Name one of {', '.join(EXPLAINED_BY_NAME)}; `scapha explain` alone says how.",
        )
    parts: dict[str, str] = {}
    for part in re.split(r",(?=\s*\w+\s*=)", rest) if rest.strip() else ():
        column, equals, value = part.partition("=")
        column = column.strip()
        if not equals or column not in explained.grain or column in parts:
            told = f"{column} stands twice." if column in parts else f"{table} is not told apart by {column}."
            raise UsageError(
                f"{told}{_nearest(column, explained.grain)}",
                remedy=f"Name it as {explained.form}.",
            )
        parts[column] = value.strip()
    return explained, parts


def choose(explained: Explained, parts: Mapping[str, str], rows: pl.DataFrame) -> Figure:
    """The one figure that a name means, of all rows of its table; `UsageError` where there is none or several."""
    for column in explained.grain:
        if column in parts:
            texts = rows[column].cast(pl.String).fill_null("")
            chosen = rows.filter(texts == parts[column])
            if chosen.is_empty():
                raise _unknown(explained, column, parts[column], sorted(set(texts)))
            rows = chosen
    if rows.height > 1:
        apart = [column for column in explained.grain if rows[column].n_unique() > 1]
        raise UsageError(
            f"{rows.height:,} figures of {explained.table} are named so.", remedy=f"Say {', '.join(apart)} too."
        )
    if rows.is_empty():
        raise UsageError(f"{explained.table} holds no figure: there is no data yet.")
    return Figure(explained, rows.row(0, named=True))


def _unknown(explained: Explained, column: str, value: str, known: list[str]) -> UsageError:
    listed = ", ".join(one or "(empty)" for one in known)
    if len(known) > _MOST_LISTED:
        listed = f"{len(known):,}, from {known[0]} to {known[-1]}"
    return UsageError(
        f"{explained.table} has no {column} {value}, or not with what stands before it.{_nearest(value, known)}",
        remedy=f"There are {listed}.",
    )


def _nearest(name: str, known: Mapping[str, object] | list[str] | tuple[str, ...]) -> str:
    near = [one for one in get_close_matches(name, known, n=_HINTS) if one]
    return f" Nearest: {', '.join(near)}." if near else ""
