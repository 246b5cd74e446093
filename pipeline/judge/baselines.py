"""Baselines of control charts: the rate that points are held against, worked out once and frozen.

A phase begins with the first week of a slice, or with the week of a day that the settings declare. Its baseline is the
rate over its first mature weeks; nothing newer enters it, so a slow rise is never drawn into its own limits. Weeks
whose rows are aged out stay in it as last counted.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import polars as pl

from pipeline.settings import DeclaredPhase
from pipeline.stats.phases import Phase, phase_of
from pipeline.stats.widened import sigma_z_beyond_chance

BASELINE_WEEKS = 26
"""Weeks with piercings that a baseline has, and by which it is lengthened: half a year."""
LEAST_BASELINE_EVENTS = 10
"""Infections a baseline must hold: with fewer its own uncertainty swamps the limits."""
FIRST_REASON = "the first weeks on record"


@dataclass(frozen=True)
class Beginning:
    """A Monday on which a phase begins, and why."""

    monday: date
    reason: str


@dataclass(frozen=True)
class Baseline:
    """A phase's frozen rate: its `weeks` are those of its window (columns week, n, observed)."""

    phase: Beginning
    weeks: pl.DataFrame

    @property
    def rate(self) -> float:
        """Infections per piercing."""
        return int(self.weeks["observed"].sum()) / int(self.weeks["n"].sum())

    @property
    def sigma_z(self) -> float:
        """How many times as much as by chance its weeks vary, where they clearly do; else 1."""
        if self.rate == 1:  # nothing can vary
            return 1.0
        return sigma_z_beyond_chance(self.weeks["n"].to_numpy(), self.weeks["observed"].to_numpy())

    @property
    def first_on(self) -> date:
        """First day of the window."""
        monday: date = self.weeks["week"][0]
        return monday

    @property
    def last_on(self) -> date:
        """Last day of the window."""
        monday: date = self.weeks["week"][-1]
        return monday + timedelta(days=6)


def beginnings(first_week: date, declared: Sequence[DeclaredPhase], branch_id: str | None) -> list[Beginning]:
    """When the phases of a slice begin: with its first week, and with the weeks of the days declared for it.

    A phase declared without a branch holds for every chart, one with a branch for that branch's own. Several of one
    week are one; those before the first week are over and count for nothing.
    """
    reasons: dict[date, list[str]] = {first_week: []}
    for phase in sorted(declared, key=lambda one: one.from_on):
        monday = phase.from_on - timedelta(days=phase.from_on.weekday())
        if phase.branch in (None, branch_id) and monday >= first_week:
            reasons.setdefault(monday, []).append(phase.reason)
    return [Beginning(monday, "; ".join(whys) or FIRST_REASON) for monday, whys in reasons.items()]


def frozen_baselines(weeks: pl.DataFrame, begun: Sequence[Beginning]) -> list[Baseline]:
    """The baseline of every phase that has one, from mature weeks with piercings in order: week, n, observed.

    A phase without one, since it has too few weeks or infections, leaves the phase before in force: declaring a phase
    silences no chart.
    """
    ends = [*(one.monday for one in begun[1:]), date.max]
    windows = [
        (one, _window(weeks.filter(pl.col("week").is_between(one.monday, end, closed="left"))))
        for one, end in zip(begun, ends, strict=True)
    ]
    return [Baseline(one, window) for one, window in windows if window is not None]


def _window(weeks: pl.DataFrame) -> pl.DataFrame | None:
    """A phase's first weeks, in whole blocks, as soon as they hold enough infections; None before they do."""
    for n_weeks in range(BASELINE_WEEKS, weeks.height + 1, BASELINE_WEEKS):
        window = weeks.head(n_weeks)
        if window["observed"].sum() >= LEAST_BASELINE_EVENTS:
            return window
    return None


def in_phases(weeks: pl.DataFrame, baselines: Sequence[Baseline]) -> pl.DataFrame:
    """A slice's weeks in order with their `phase`, counted from 1; those before the first baseline are left out."""
    held = weeks.filter(pl.col("week") >= baselines[0].phase.monday)
    phases = [Phase(int((held["week"] < one.phase.monday).sum()), one.rate, one.phase.reason) for one in baselines]
    return held.with_columns(pl.Series("phase", phase_of(phases, held.height) + 1))
