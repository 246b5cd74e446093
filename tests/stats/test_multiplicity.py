"""Adjusted p values: a published example, statsmodels, plain Python, and the error rates they keep."""

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from numpy.typing import ArrayLike
from scipy.stats import norm
from statsmodels.stats.multitest import multipletests

from pipeline.stats.arguments import FloatArray
from pipeline.stats.multiplicity import benjamini_hochberg, holm

from .conftest import Entry, untimed

P_VALUES = st.lists(st.floats(0, 1, allow_subnormal=False), min_size=1, max_size=40)
BOTH = pytest.mark.parametrize("adjusted_of", [holm, benjamini_hochberg])

AdjustedOf = Callable[[ArrayLike], FloatArray]


def test_benjamini_hochberg_equals_the_published_example(check_value: Callable[[str], Entry]) -> None:
    """Benjamini & Hochberg (1995), J R Stat Soc B 57:289-300, section 4.1 (opened in code that quotes it)."""
    entry = check_value("MUL-01")
    p, expected = np.array(entry["inputs"]["p"]), entry["expected"]
    adjusted = benjamini_hochberg(p)
    assert_allclose(adjusted[:9], expected["adjusted_first_9"], atol=entry["tolerance"], rtol=0)
    rejected = adjusted <= 0.05
    assert rejected.sum() == expected["rejected"]
    assert p[rejected].max() == expected["largest_rejected_p"]


def test_holm_equals_the_published_example(check_value: Callable[[str], Entry]) -> None:
    """The same p values; Holm (1979), Scand J Statist 6:65-70 (from memory)."""
    entry, expected = check_value("MUL-01"), check_value("MUL-02")["expected"]
    adjusted = holm(entry["inputs"]["p"])
    assert_allclose(adjusted[:4], expected["holm_adjusted_first_4"], atol=check_value("MUL-02")["tolerance"], rtol=0)
    assert (adjusted <= 0.05).sum() == expected["rejected"]["Holm"]


@untimed
@given(P_VALUES)
def test_benjamini_hochberg_equals_statsmodels(p: list[float]) -> None:
    assert_allclose(benjamini_hochberg(p), multipletests(p, method="fdr_bh")[1], rtol=1e-12)


@pytest.mark.parametrize("p", [[0.01, 0.04, 0.03, 0.005], [1, 0, 0.5], [0.02] * 5, [0.3, 0.2, 0.1], [0.9]])
def test_holm_equals_statsmodels(p: list[float]) -> None:
    assert_allclose(holm(p), multipletests(p, method="holm")[1], rtol=1e-12)


@untimed
@given(P_VALUES)
def test_holm_equals_its_definition(p: list[float]) -> None:
    order = sorted(range(len(p)), key=p.__getitem__)
    highest = 0.0
    expected = [0.0] * len(p)
    for step, index in enumerate(order):
        highest = max(highest, min(1.0, (len(p) - step) * p[index]))
        expected[index] = highest
    assert_allclose(holm(p), expected, rtol=1e-12)


@untimed
@given(P_VALUES)
def test_adjusting_raises_and_holm_raises_more(p: list[float]) -> None:
    discovery, family = benjamini_hochberg(p), holm(p)
    assert (np.array(p) <= discovery).all()
    assert (discovery <= family + 1e-15).all()
    assert family.max() <= 1


def test_error_rates_are_kept() -> None:
    """4,000 times 20 tests, 12 of them of nothing: both rates at 0.05 or less, within three standard errors."""
    random = np.random.default_rng(1995)
    shifts = np.repeat([0.0, 3.0], [12, 8])
    p = norm.sf(random.normal(size=(4000, 20)) + shifts)
    any_false, share_false, found = np.zeros(4000), np.zeros(4000), np.zeros(2)
    for index, values in enumerate(p):
        family, discovery = holm(values) <= 0.05, benjamini_hochberg(values) <= 0.05
        any_false[index] = family[:12].any()
        share_false[index] = discovery[:12].sum() / max(1, discovery.sum())
        found += family[12:].sum(), discovery[12:].sum()
    assert any_false.mean() < 0.05 + 3 * any_false.std() / np.sqrt(4000)
    # Benjamini and Hochberg's own bound is the level times the share of tests of nothing, met where independent.
    assert_allclose(share_false.mean(), 0.05 * 12 / 20, atol=3 * share_false.std() / np.sqrt(4000))
    assert found[1] > found[0]


@BOTH
def test_one_stays_none_give_none(adjusted_of: AdjustedOf) -> None:
    assert_array_equal(adjusted_of([0.03]), [0.03])
    assert adjusted_of([]).shape == (0,)


@BOTH
def test_the_order_given_is_kept(adjusted_of: AdjustedOf) -> None:
    p = np.array([0.4, 0.001, 0.03, 0.02])
    assert_array_equal(adjusted_of(p[::-1]), adjusted_of(p)[::-1])
    assert_array_equal(p, [0.4, 0.001, 0.03, 0.02])


@BOTH
@pytest.mark.parametrize("p", [[-0.1], [1.1], [np.nan], [0.5, np.inf], 0.5, [[0.5]]])
def test_the_bad_argument_is_named(adjusted_of: AdjustedOf, p: ArrayLike) -> None:
    with pytest.raises(ValueError, match="p_values"):
        adjusted_of(p)
