"""A slice against the rest: a published example, SciPy's binomial, a scan of a whole map; and Monte-Carlo p values."""

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from scipy.stats import binom

from pipeline.stats.arguments import FloatArray
from pipeline.stats.scan import against_rest, monte_carlo_p

from .conftest import Columns, Entry, untimed


def test_breast_cancer_in_the_northeast(check_value: Callable[[str], Entry]) -> None:
    """Kulldorff et al. (1997), Am J Epidemiol 146:161-170 (7.4 % opened, the rest from memory)."""
    entry = check_value("SCN-01")
    inputs, expected, tolerance = entry["inputs"], entry["expected"], entry["tolerance"]
    result = against_rest(inputs["c"], inputs["E"], inputs["C"])
    assert_allclose(result.ratio, expected["RR_inside_outside"], atol=tolerance["RR"], rtol=0)
    assert_allclose(result.log_likelihood_ratio, expected["LLR"], atol=tolerance["LLR"], rtol=0)


@untimed
@given(st.integers(1, 5000), st.data())
def test_is_the_likelihood_ratio_of_two_poisson_means_given_the_total(total: int, data: st.DataObject) -> None:
    """Given the total, a slice's count is binomial: with share E / C where nothing has changed, c / C at best."""
    observed = data.draw(st.integers(0, total))
    expected = data.draw(st.floats(0.001, 0.999)) * total
    result = against_rest(observed, expected, total)
    at_best, unchanged = (binom.logpmf(observed, total, share / total) for share in (observed, expected))
    excess = observed > expected
    assert_allclose(result.log_likelihood_ratio, at_best - unchanged if excess else 0, rtol=1e-7, atol=1e-7)
    if 0 < observed < total:
        assert (result.ratio > 1) == excess
        odds = [share / (total - share) for share in (observed, expected)]
        assert_allclose(result.ratio, odds[0] / odds[1], rtol=1e-9)


def test_slices_that_have_or_expect_all_or_nothing() -> None:
    result = against_rest([0, 0, 4, 4, 3], [0, 1, 2, 4, 4], 4)
    assert_array_equal(result.ratio, [np.nan, 0, np.inf, np.nan, 0])
    assert_allclose(result.log_likelihood_ratio, [0, 0, 4 * np.log(2), 0, 0])
    assert_array_equal(against_rest([0], [0], 0).log_likelihood_ratio, [0])


def _circles(data: Columns) -> Callable[[FloatArray], FloatArray]:
    """Sums over the nearest 1, 2, ... counties around each."""
    distance = np.hypot(*(data[axis] - data[axis][:, np.newaxis] for axis in ("east", "north")))
    nearest = distance.argsort(axis=1, kind="stable")
    return lambda values: values[nearest].cumsum(axis=1)


def test_sudden_infant_deaths_in_north_carolina(
    check_value: Callable[[str], Entry], data_columns: Callable[[str], Columns]
) -> None:
    """Circles around counties, up to half of all births, 1974 to 1978 (data as in R's spData).

    The entry's own run had 15.49 observed, 9.30 as the largest of 199 simulated, and so the least p of 199 worlds.
    """
    least_p = check_value("SCN-03")["expected"]["p_min"][1]
    data = data_columns("nc_sids.csv")
    deaths, share, around = int(data["SID74"].sum()), data["BIR74"] / data["BIR74"].sum(), _circles(data)
    births = around(share)
    part = births <= 0.5

    def highest(count: FloatArray) -> float:
        return float(against_rest(around(count)[part], births[part] * deaths, deaths).log_likelihood_ratio.max())

    observed = highest(data["SID74"])
    assert_allclose(observed, 15.49, atol=0.005)
    worlds = np.random.default_rng(1974).multinomial(deaths, share, size=199)
    simulated = [highest(world) for world in worlds]
    assert 7 < max(simulated) < 12
    assert_allclose(monte_carlo_p(observed, simulated), least_p)


def test_the_least_p_of_so_many_worlds(check_value: Callable[[str], Entry]) -> None:
    """Abrams et al. (2010), Int J Health Geogr 9:61 (opened): r / (R + 1)."""
    entry = check_value("SCN-03")
    for worlds, least in zip(
        entry["inputs"]["observed_greater_than_all_of_R"], entry["expected"]["p_min"], strict=True
    ):
        assert monte_carlo_p(worlds, np.arange(worlds)) == least
        assert monte_carlo_p(-1, np.arange(worlds)) == 1
        assert monte_carlo_p(worlds - 1.5, np.arange(worlds)) == 2 * least


def test_ties_count_against_the_observed() -> None:
    """Also one that rounding has hidden: 0.1 three times is more than 0.3 in binary."""
    assert monte_carlo_p(2, [1, 2, 2, 3]) == 4 / 5
    assert 0.1 + 0.1 + 0.1 > 0.3
    assert monte_carlo_p(0.1 + 0.1 + 0.1, [0.3]) == 1
    assert monte_carlo_p(-0.3, [-(0.1 + 0.1 + 0.1)]) == 1
    assert monte_carlo_p(5, []) == 1


@pytest.mark.parametrize("whole", [False, True])
def test_p_values_keep_their_level(whole: bool) -> None:
    """4,000 times 39 worlds: of p values up to 1 in 20 there are as many, and fewer where whole numbers tie."""
    drawn = np.random.default_rng(1957).gamma(4.0, size=(4000, 40))
    values = np.floor(drawn) if whole else drawn
    p = np.array([monte_carlo_p(row[0], row[1:]) for row in values])
    reached, error = (p <= 0.05).mean(), np.sqrt(0.05 * 0.95 / 4000)
    assert reached < 0.05 - 3 * error if whole else abs(reached - 0.05) < 3 * error


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: against_rest([-1], [1], 9), "observed"),
        (lambda: against_rest([1.5], [1], 9), "observed"),
        (lambda: against_rest([10], [1], 9), "observed must be at most total"),
        (lambda: against_rest([1], [0], 9), "observed must be at most 0 where expected is 0"),
        (lambda: against_rest([1], [-1], 9), "expected"),
        (lambda: against_rest([1], [9.5], 9), "expected must be at most total"),
        (lambda: against_rest([1], [1], -9), "total"),
        (lambda: against_rest([1, 2], [1, 2, 3], 9), "expected"),
        (lambda: monte_carlo_p(np.nan, [1]), "observed"),
        (lambda: monte_carlo_p(1, [np.inf]), "simulated"),
        (lambda: monte_carlo_p(1, [[1]]), "simulated"),
    ],
)
def test_the_bad_argument_is_named(call: Callable[[], object], named: str) -> None:
    with pytest.raises(ValueError, match=named):
        call()
