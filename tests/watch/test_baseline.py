"""The usual risk finds again the risks that piercings were drawn with, and keeps to the broader without data."""

import numpy as np
import pytest

from pipeline.stats.arguments import FloatArray
from pipeline.watch.arrays import IntArray
from pipeline.watch.baseline import STRATUM_EVENTS, Baseline, estimate_baseline

GROUP = np.array([0, 0, 0, 1, 1])
"""Site group of each site: three of lobes, two of cartilage. Each site group has one stratum."""
RISK = np.array([0.02, 0.03, 0.01, 0.05, 0.1])


def baseline_of(site: IntArray, events: FloatArray, assumed: float = 0.03) -> Baseline:
    none = np.zeros(len(site), dtype=np.int64)
    return estimate_baseline(
        *(events, np.ones(len(site)), GROUP[site], np.arange(2), site, none, none),
        n_branches=1,
        n_sites=len(GROUP),
        assumed=np.full(2, assumed),
        spans_days=100,
    )


def risk_of(baseline: Baseline, site: IntArray) -> FloatArray:
    none = np.zeros(len(site), dtype=np.int64)
    return baseline.risk_of(GROUP[site], site, none, none)


def test_the_risks_of_sites_within_their_groups_are_found_again() -> None:
    rng = np.random.default_rng(0)
    site = rng.choice(len(RISK), 200_000, p=(0.5, 0.1, 0.1, 0.25, 0.05))
    events = (rng.random(len(site)) < RISK[site]).astype(np.float64)
    found = risk_of(baseline_of(site, events), np.arange(len(RISK)))
    assert (np.abs(found - RISK) < 4 * np.sqrt(RISK / np.bincount(site))).all()


@pytest.mark.parametrize("seen", [0, 1, 6])
def test_a_site_of_few_piercings_is_as_its_group_with_ten_events_of_that(seen: int) -> None:
    site = np.repeat([0, 1], [10_000, 40])
    events = np.zeros(len(site))
    events[:300] = 1
    events[10_000 : 10_000 + seen] = 1
    baseline = baseline_of(site, events)
    usual = 40 * baseline.risk[0]
    assert usual == pytest.approx(1.2, rel=0.03)
    assert baseline.site[1] == pytest.approx((STRATUM_EVENTS + seen) / (STRATUM_EVENTS + usual))
    assert risk_of(baseline, np.array([1])) == pytest.approx(baseline.risk[0] * baseline.site[1])


def test_sites_that_nobody_had_are_as_their_group() -> None:
    site = np.repeat([0, 1], [500, 500])
    assert baseline_of(site, (np.arange(1000) % 40 == 0).astype(np.float64)).site[2:].tolist() == [1.0, 1.0, 1.0]
