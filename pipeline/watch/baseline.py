"""The usual risk of those reached: by site group, age band, site, season and branch, each drawn towards the broader."""

from dataclasses import dataclass

import numpy as np

from pipeline.stats.arguments import FloatArray
from pipeline.watch.arrays import IntArray

PRIOR_EVENTS = 11.0
"""Events that the assumed risk is worth: a standard deviation of about 0.3 of its logarithm."""
STRATUM_EVENTS = 10.0
"""Events by which the risk of a site group is drawn towards that of all, and that of an age band in it and of a site
of it towards it."""
SEASON_EVENTS = 25.0
BRANCH_EVENTS = 25.0
"""Events by which a month's and a branch's ratio are drawn towards 1: true ratios that vary by a fifth."""
SEASON_DAYS = 364
"""Days a reference period must span for a season to be told from a trend."""


@dataclass(frozen=True, eq=False)
class Baseline:
    """The usual risk of those reached: `risk` by stratum, ratios by `site`, `season` (month) and `branch`.

    `worth` is how many events each branch's risk is worth as knowledge, `overall` the same of all together.
    """

    risk: FloatArray
    site: FloatArray
    season: FloatArray
    branch: FloatArray
    worth: FloatArray
    overall: float

    def risk_of(self, stratum: IntArray, site: IntArray, month: IntArray, branch: IntArray) -> FloatArray:
        """The usual risk of piercings."""
        return np.asarray(self.risk[stratum] * self.site[site] * self.season[month] * self.branch[branch])


def estimate_baseline(
    events: FloatArray,
    at_risk: FloatArray,
    stratum: IntArray,
    group: IntArray,
    site: IntArray,
    month: IntArray,
    branch: IntArray,
    *,
    n_branches: int,
    n_sites: int,
    assumed: FloatArray,
    spans_days: int,
) -> Baseline:
    """The baseline from reference piercings: `events` (0 or 1), and how far each is `at_risk` of a recorded one.

    `group` gives each stratum's site group, `assumed` the risk each stratum is taken to have before there are events,
    `spans_days` the days the reference period spans. Ratios of observed to expected are drawn towards 1 as
    (c + O) / (c + E), the mean of a gamma(c, c) prior; c as the constants say.
    """
    usual = assumed[stratum] * at_risk
    whole = np.zeros(len(events), dtype=np.int64)
    risk = assumed * _ratios(events, usual, whole, 1, PRIOR_EVENTS)
    n_groups = int(group.max(initial=0)) + 1
    risk = risk * _ratios(events, risk[stratum] * at_risk, group[stratum], n_groups, STRATUM_EVENTS)[group]
    risk = risk * _ratios(events, risk[stratum] * at_risk, stratum, len(group), STRATUM_EVENTS)
    usual = risk[stratum] * at_risk
    own_site = _ratios(events, usual, site, n_sites, STRATUM_EVENTS)
    usual = usual * own_site[site]
    season = np.ones(12)
    if spans_days >= SEASON_DAYS:
        season = _ratios(events, usual, month, 12, SEASON_EVENTS)
    factor, own = np.ones(n_branches), np.bincount(branch, events, n_branches).astype(np.float64)
    if n_branches > 1:
        factor = _ratios(events, usual * season[month], branch, n_branches, BRANCH_EVENTS)
    worth = np.asarray(BRANCH_EVENTS + own) if n_branches > 1 else np.full(1, np.inf)
    return Baseline(risk, own_site, season, factor, worth, PRIOR_EVENTS + float(events.sum()))


def _ratios(events: FloatArray, usual: FloatArray, code: IntArray, n: int, prior: float) -> FloatArray:
    observed, expected = (np.bincount(code, values, n).astype(np.float64) for values in (events, usual))
    return np.asarray((prior + observed) / (prior + expected))
