"""What stands out, in sentences: open incidents of the watch, and causes that stand out over the year."""

import hashlib
import math
from dataclasses import dataclass
from datetime import date, timedelta

import polars as pl

from pipeline.contract import vocabulary as v
from reports import numbers, words
from reports.edition import Edition

IN_USE_DAYS = 28
"""A cause met in so many days before the as-of date counts as still in use."""


@dataclass(frozen=True)
class Finding:
    """A possible cause with more events than chance explains; `is_incident` where the watch has an open incident of it.

    `used_from` and `used_to` are the first and last day on which piercings met it, those of an incident from its
    estimated start on; `p_value` is that over the year, NaN of an incident.
    """

    identifier: str
    complication: str
    dimension: str
    level: str
    observed: int
    expected: float
    ratio: float | None
    ratio_low: float | None
    ratio_high: float | None
    procedures: int
    p_value: float
    used_from: date
    used_to: date
    is_in_use: bool
    is_incident: bool = False

    @property
    def name(self) -> str:
        """The cause as readers know it."""
        return words.named(self.dimension, self.level)

    @property
    def is_person_or_place(self) -> bool:
        """Whether the cause is not a thing that is used, but someone who pierces or somewhere it is done."""
        parts = set(self.dimension.split(":"))
        return not parts & {"lot", "batch", "article", "material"}

    @property
    def use(self) -> str:
        """Whether it goes on, in the words that suit a thing or a person."""
        if self.is_person_or_place:
            return "still piercing" if self.is_in_use else f"last pierced on {numbers.day(self.used_to)}"
        return "still in use" if self.is_in_use else f"last used on {numbers.day(self.used_to)}"

    @property
    def sentence(self) -> str:
        """What was seen against what was expected."""
        return (
            f"{words.COMPLICATION[self.complication].capitalize()} after {self.name}: "
            f"{numbers.count(self.observed)} of {words.plural(self.procedures, 'piercing')}, "
            f"where about {(numbers.tenth if self.expected < 1 else numbers.count)(self.expected)} were expected"
        )


def findings(edition: Edition) -> list[Finding]:
    """Open incidents, those of infection first, the newest before others; then what else stands out over the year."""
    found = incidents(edition)
    known = {(one.complication, one.dimension, one.level) for one in found}
    over_the_year = [one for one in year_findings(edition) if (one.complication, one.dimension, one.level) not in known]
    return found + over_the_year


def incidents(edition: Edition) -> list[Finding]:
    """The watch's open incidents, those of infection first, then the newest."""
    if edition.as_of is None:
        return []
    in_use_since = edition.as_of - timedelta(days=IN_USE_DAYS)
    key = ("complication", "dimension", "level", "observed", "expected", "ratio", "ratio_low", "ratio_high")
    found = [
        Finding(
            identifier=row["incident_id"],
            procedures=row["exposed"],
            p_value=float("nan"),
            used_from=row["started_on"],
            used_to=row["ended_on"] or row["started_on"],
            is_in_use=(row["ended_on"] or row["started_on"]) >= in_use_since,
            is_incident=True,
            **{name: row[name] for name in key},
        )
        for row in edition.results["incidents"].sort("opened_on", "incident_id", descending=[True, False]).to_dicts()
    ]
    return sorted(found, key=lambda one: one.complication != "infection")


def year_findings(edition: Edition) -> list[Finding]:
    """Causes beyond their limit over the year: those still in use first, then by how far beyond chance they are."""
    if edition.as_of is None:
        return []
    exposures = edition.results["exposures"].filter("signal")
    use = (
        edition.results["cause_branches"]
        .group_by("complication", "dimension", "level")
        .agg(pl.col("used_from").min(), pl.col("used_to").max())
    )
    key = ["complication", "dimension", "level"]
    rows = exposures.join(use, on=key)
    in_use_since = edition.as_of - timedelta(days=IN_USE_DAYS)
    found = [
        Finding(
            identifier=_identifier(*(row[name] for name in key)),
            is_in_use=row["used_to"] >= in_use_since,
            **{name: row[name] for name in (*key, "observed", "expected", "ratio", "ratio_low", "ratio_high")},
            p_value=math.inf if row["p_value"] is None else row["p_value"],  # an edition may not hold it
            **{name: row[name] for name in ("procedures", "used_from", "used_to")},
        )
        for row in rows.iter_rows(named=True)
    ]
    return sorted(found, key=lambda finding: (not finding.is_in_use, finding.p_value, finding.identifier))


def _identifier(*parts: str) -> str:
    """A name for links: a digest, since pages that name no practitioner link to it too."""
    return "F-" + hashlib.sha256("|".join(parts).encode()).hexdigest()[:10]


def recent_points(edition: Edition, days: int = 91) -> pl.DataFrame:
    """Points of control charts beyond their limit whose subgroup ended within the last days before the newest mature
    day.
    """
    points = edition.results["control_charts"].filter("signal")
    if edition.as_of is None:
        return points
    newest_mature = edition.as_of - timedelta(days=v.INFECTION.window_days + v.REPORTING_LAG_DAYS)
    return points.filter(pl.col("to_on") >= newest_mature - timedelta(days=days))


def silent_branches(edition: Edition, days: int = 2) -> list[tuple[str, date | None]]:
    """Branches of which nothing newer than so many days before the as-of date is known."""
    if edition.as_of is None:
        return []
    oldest = edition.as_of - timedelta(days=days)
    rows = edition.results["branches"].select("branch_id", "data_through").iter_rows()
    return [(branch, through) for branch, through in rows if through is None or through < oldest]
