"""What stands out, in sentences: signals told plainly, the same on every page."""

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
    """A possible cause with more events than chance explains."""

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
    raised_on: date

    @property
    def name(self) -> str:
        """The cause as readers know it."""
        return words.named(self.dimension, self.level)

    @property
    def is_person_or_place(self) -> bool:
        """Whether the cause is not a thing that is used, but someone who pierces or somewhere it is done."""
        return self.dimension in ("practitioner", "practitioner:site_group", "branch")

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
            f"where about {self.expected:.0f} were expected"
        )


def findings(edition: Edition) -> list[Finding]:
    """Causes beyond their limit: those still in use first, then by how far beyond chance they are."""
    if edition.as_of is None:
        return []
    signals = edition.results["signals"].filter(pl.col("method") == "funnel")
    exposures = edition.results["exposures"].filter("signal")
    use = (
        edition.results["cause_branches"]
        .group_by("complication", "dimension", "level")
        .agg(pl.col("used_from").min(), pl.col("used_to").max())
    )
    key = ["complication", "dimension", "level"]
    rows = signals.join(exposures.select(*key, "p_value"), on=key).join(use, on=key)
    in_use_since = edition.as_of - timedelta(days=IN_USE_DAYS)
    found = [
        Finding(
            identifier=row["signal_id"],
            is_in_use=row["used_to"] >= in_use_since,
            **{name: row[name] for name in (*key, "observed", "expected", "ratio", "ratio_low", "ratio_high")},
            **{name: row[name] for name in ("procedures", "p_value", "used_from", "used_to", "raised_on")},
        )
        for row in rows.iter_rows(named=True)
    ]
    return sorted(found, key=lambda finding: (not finding.is_in_use, finding.p_value, finding.identifier))


def recent_points(edition: Edition, days: int = 91) -> pl.DataFrame:
    """Control-chart signals whose subgroup ended within the last days before the newest mature day."""
    signals = edition.results["signals"].filter(pl.col("method") != "funnel")
    if edition.as_of is None:
        return signals
    newest_mature = edition.as_of - timedelta(days=v.INFECTION.window_days + v.REPORTING_LAG_DAYS)
    return signals.filter(pl.col("ended_on") >= newest_mature - timedelta(days=days))


def silent_branches(edition: Edition, days: int = 2) -> list[tuple[str, date | None]]:
    """Branches of which nothing newer than so many days before the as-of date is known."""
    if edition.as_of is None:
        return []
    oldest = edition.as_of - timedelta(days=days)
    rows = edition.results["branches"].select("branch_id", "data_through").iter_rows()
    return [(branch, through) for branch, through in rows if through is None or through < oldest]
