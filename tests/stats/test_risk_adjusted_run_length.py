"""Run lengths of risk-adjusted CUSUMs: the Bernoulli chart, exact enumeration, and the charts themselves."""

from collections.abc import Callable
from fractions import Fraction
from math import log

import numpy as np
import pytest
from numpy.testing import assert_allclose

from pipeline.stats.lattice_run_length import bernoulli_run_length
from pipeline.stats.likelihood_cusum import risk_adjusted_cusum
from pipeline.stats.risk_adjusted_run_length import risk_adjusted_run_length
from pipeline.stats.run_length import threshold_for

RISKS, SHARES = np.array([0.02, 0.1, 0.3]), np.array([0.6, 0.3, 0.1])
"""A mix with 7.2 events in 100 piercings."""


def _risk_at(k: Fraction, odds_ratio: float) -> float:
    """The risk whose piercings take k ln(R) off without an event and add (1 - k) ln(R) with one."""
    return float(odds_ratio**k - 1) / (odds_ratio - 1)


@pytest.mark.parametrize("odds_ratio", [2.0, 0.5])
@pytest.mark.parametrize(
    ("k", "h", "headstart"), [("1/2", "1/2", "0"), ("1/15", "32/15", "0"), ("2/9", "5/3", "7/9"), ("1/40", "3", "3/2")]
)
@pytest.mark.parametrize("true_odds_ratio", [1.0, 1.7])
def test_one_risk_is_the_bernoulli_chart(
    odds_ratio: float, k: str, h: str, headstart: str, true_odds_ratio: float
) -> None:
    """Exactly, where parts fall on its lattice; a fall of events is a rise of the rest."""
    per_event = Fraction(k).denominator
    risk = _risk_at(Fraction(k), odds_ratio)
    unit = abs(log(odds_ratio))
    odds = true_odds_ratio * risk / (1 - risk)
    p = odds / (1 + odds)
    rising, reference = (p, Fraction(k)) if odds_ratio > 1 else (1 - p, 1 - Fraction(k))
    for risks, shares in (([risk], [1]), ([risk, risk], [0.2, 3])):
        result = risk_adjusted_run_length(
            risks,
            shares,
            odds_ratio,
            float(Fraction(h)) * unit,
            float(Fraction(headstart)) * unit,
            true_odds_ratio,
            parts=int(Fraction(h) * per_event),
        )
        expected = bernoulli_run_length(rising, reference, Fraction(h), Fraction(headstart))
        assert_allclose(result, expected, rtol=1e-9)


@pytest.mark.parametrize(("eighths", "start"), [(12, 0), (12, 6), (16, 1)])
def test_mixed_risks_on_a_lattice_equal_enumeration(eighths: int, start: int) -> None:
    """Weights in eighths of ln 2, odds three times those of the risks: the sum over t of P(no signal by t)."""
    downs, shares, true_odds_ratio = (2, 4), (0.7, 0.3), 3.0
    risks = [_risk_at(Fraction(down, 8), 2.0) for down in downs]
    events = [true_odds_ratio * risk / (1 - risk + true_odds_ratio * risk) for risk in risks]
    alive, expected = {start: 1.0}, 1.0
    for _ in range(300):
        after: dict[int, float] = {}
        for value, weight in alive.items():
            for down, event, share in zip(downs, events, shares, strict=True):
                for following, chance in ((max(value - down, 0), 1 - event), (value - down + 8, event)):
                    if following <= eighths:
                        after[following] = after.get(following, 0.0) + weight * share * chance
        alive = after
        expected += sum(alive.values())
    assert sum(alive.values()) < 1e-9
    unit = log(2) / 8
    result = risk_adjusted_run_length(risks, shares, 2.0, eighths * unit, start * unit, true_odds_ratio, parts=eighths)
    assert_allclose(result, expected, rtol=1e-8)


@pytest.mark.parametrize(
    ("odds_ratio", "h", "headstart", "true_odds_ratio"),
    [(2.0, 2.0, 0.0, 1.0), (2.0, 2.0, 1.0, 2.0), (0.5, 1.5, 0.0, 1.0), (0.5, 1.5, 0.5, 0.4)],
)
def test_simulated_charts_have_the_run_length(
    odds_ratio: float, h: float, headstart: float, true_odds_ratio: float
) -> None:
    """1,000 charts of piercings that each draw a risk from the mix: within two standard errors."""
    random = np.random.default_rng(2000)
    risks = random.choice(RISKS, size=(1000, 3000), p=SHARES)
    events = random.random(risks.shape) < true_odds_ratio * risks / (1 - risks + true_odds_ratio * risks)
    firsts = np.array(
        [
            risk_adjusted_cusum(flags, risk, odds_ratio, h, headstart).first_signal
            for flags, risk in zip(events, risks, strict=True)
        ],
        dtype=np.float64,
    )
    error = firsts.std() / np.sqrt(len(firsts))
    result = risk_adjusted_run_length(RISKS, SHARES, odds_ratio, h, headstart, true_odds_ratio)
    assert abs(firsts.mean() + 1 - result) < 2 * error


@pytest.mark.parametrize(
    ("risk", "share", "h", "parts", "within"),
    [
        (RISKS, SHARES, 2.0, 1600, 0.003),
        ([0.01, 0.05], [0.5, 0.5], 4.5, 1600, 0.003),
        ([0.0005, 0.002], [0.5, 0.5], 4.0, 2400, 0.015),
    ],
)
def test_more_parts_change_little(risk: list[float], share: list[float], h: float, parts: int, within: float) -> None:
    by_default = risk_adjusted_run_length(risk, share, 2.0, h)
    assert by_default == risk_adjusted_run_length(risk, share, 2.0, h, parts=800)
    assert_allclose(by_default, risk_adjusted_run_length(risk, share, 2.0, h, parts=parts), rtol=within)


def test_the_mix_matters_and_its_mean_alone_would_mislead() -> None:
    """The same 7.2 events in 100: one risk for all gives a run length that is a tenth off and more."""
    mixed = risk_adjusted_run_length(RISKS, SHARES, 2.0, 3.0)
    alike = risk_adjusted_run_length([RISKS @ SHARES], [1.0], 2.0, 3.0)
    assert abs(alike / mixed - 1) > 0.1
    assert_allclose(mixed, risk_adjusted_run_length(RISKS, 250 * SHARES, 2.0, 3.0), rtol=1e-12)
    with_none = risk_adjusted_run_length([*RISKS, 0.9], [*SHARES, 0], 2.0, 3.0)
    assert_allclose(mixed, with_none, rtol=1e-12)


def test_the_threshold_for_a_wanted_run_length() -> None:
    def run_length(h: float) -> float:
        return risk_adjusted_run_length(RISKS, SHARES, 2.0, h, parts=300)

    h = threshold_for(1000.0, run_length, 0.01)
    assert run_length(h) >= 1000 > run_length(h - 0.01)


def test_a_larger_threshold_alarms_later_and_a_headstart_or_a_rise_sooner() -> None:
    base = risk_adjusted_run_length(RISKS, SHARES, 2.0, 2.0)
    assert risk_adjusted_run_length(RISKS, SHARES, 2.0, 2.5) > base
    assert risk_adjusted_run_length(RISKS, SHARES, 2.0, 2.0, 1.0) < base
    assert risk_adjusted_run_length(RISKS, SHARES, 2.0, 2.0, 0.0, 2.0) < base / 2


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: risk_adjusted_run_length([0.0], [1], 2, 3), "risk"),
        (lambda: risk_adjusted_run_length([1.0], [1], 2, 3), "risk"),
        (lambda: risk_adjusted_run_length(0.1, 1, 2, 3), "risk"),
        (lambda: risk_adjusted_run_length([0.1], [-1], 2, 3), "share"),
        (lambda: risk_adjusted_run_length([0.1, 0.2], [1, 1, 1], 2, 3), "share"),
        (lambda: risk_adjusted_run_length([0.1], [0], 2, 3), "share"),
        (lambda: risk_adjusted_run_length([], [], 2, 3), "share"),
        (lambda: risk_adjusted_run_length([0.1], [1], 1, 3), "odds_ratio"),
        (lambda: risk_adjusted_run_length([0.1], [1], 2, 0), "h "),
        (lambda: risk_adjusted_run_length([0.1], [1], 2, 3, -1), "headstart"),
        (lambda: risk_adjusted_run_length([0.1], [1], 2, 3, 4), "headstart"),
        (lambda: risk_adjusted_run_length([0.1], [1], 2, 3, 0, 0), "true_odds_ratio"),
        (lambda: risk_adjusted_run_length([0.1], [1], 2, 3, parts=0), "parts"),
        (lambda: risk_adjusted_run_length([0.1], [1], 2, 3, parts=5001), "parts"),
    ],
)
def test_the_bad_argument_is_named(call: Callable[[], object], named: str) -> None:
    with pytest.raises(ValueError, match=named):
        call()
