"""Average run lengths against printed tables, another way to compute them, and simulation."""

from collections.abc import Callable
from math import factorial, inf

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.stats import norm

from pipeline.stats.cusum import tabular_cusum
from pipeline.stats.run_length import (
    ewma_run_length,
    normal_cusum_run_length,
    siegmund_run_length,
    threshold_for,
    two_sided_cusum_run_length,
)

from .conftest import Entry, untimed


def _half_a_digit(printed: list[float]) -> np.ndarray:
    """Half a unit of the last of three printed digits, and a hundredth of that digit's rounding more."""
    return np.array([0.5 * 10.0 ** (np.floor(np.log10(value)) - 2) for value in printed]) + 0.01


def test_two_sided_cusum_of_the_published_tables(check_value: Callable[[str], Entry]) -> None:
    """Lucas & Crosier (1982), Technometrics 24:199-205, Table 1 (opened), plain and with a headstart of half of h."""
    entry = check_value("CUS-03")
    means = entry["inputs"]["mu"]
    for printed, headstart in ((entry["expected"]["ARL"], 0.0), (entry["expected"]["ARL_FIR"], 2.0)):
        computed = np.array([two_sided_cusum_run_length(0.5, 4, mean, headstart) for mean in means])
        assert (np.abs(computed - printed) <= _half_a_digit(printed)).all()


def test_two_sided_cusum_of_the_textbook(check_value: Callable[[str], Entry]) -> None:
    """Montgomery, ch. 9, table of run lengths of CUSUMs with k = 0.5 and h = 5 (from memory)."""
    entry = check_value("CUS-06")
    computed = np.array([two_sided_cusum_run_length(0.5, 5, mean) for mean in entry["inputs"]["mu"]])
    assert (np.abs(computed - entry["expected"]["ARL"]) <= _half_a_digit(entry["expected"]["ARL"])).all()


def test_one_sided_cusum_of_published_values(check_value: Callable[[str], Entry]) -> None:
    """Brook & Evans (1972), Vance (1986) and a manual of 1999 that prints ten decimals (all opened)."""
    entry = check_value("CUS-04")
    computed = [normal_cusum_run_length(*scheme) for scheme in entry["inputs"]["k_h_mu"]]
    assert_allclose(computed[:-1], entry["expected"]["ARL"][:-1], rtol=1e-3)
    assert_allclose(computed[-1], entry["expected"]["ARL"][-1], atol=2e-7)


def test_siegmunds_approximation(check_value: Callable[[str], Entry]) -> None:
    """Montgomery, ch. 9, after Siegmund (1985) (from memory)."""
    expected = check_value("CUS-05")["expected"]
    assert_allclose(siegmund_run_length(0.5, 5), expected["one_sided_ARL0"], atol=0.06)
    assert_allclose(siegmund_run_length(0.5, 5) / 2, expected["two_sided_ARL0"], atol=0.06)
    assert_allclose(siegmund_run_length(0.5, 5, 1.0), expected["one_sided_ARL1"], atol=0.06)


@pytest.mark.parametrize("shift", [-0.3, 0.0, 0.5, 1.0, 2.0])
def test_siegmund_is_within_four_percent_of_the_integral_equation(shift: float) -> None:
    assert_allclose(siegmund_run_length(0.5, 5, shift), normal_cusum_run_length(0.5, 5, shift), rtol=0.04)


@pytest.mark.parametrize("drift_times_b", [-0.3, -1.01e-6, -0.99e-6, 0.0, 1e-12, 0.99e-6, 1.01e-6, 0.01, 0.3])
def test_siegmund_equals_its_power_series(drift_times_b: float) -> None:
    """Where the formula subtracts nearly equal numbers the terms of its exponential tell more: y = d b, to y^18."""
    series = sum((-2) ** n * drift_times_b ** (n - 2) / factorial(n) for n in range(2, 20)) / 2
    for h in (0.5, 5, 900):
        b = h + 1.166
        assert_allclose(siegmund_run_length(0.5, h, 0.5 + drift_times_b / b), b**2 * series, rtol=1e-8)


def test_ewma_of_the_published_tables(check_value: Callable[[str], Entry]) -> None:
    """Crowder (1987), Technometrics 29:401-407, Table 1 (opened); Montgomery, ch. 9 (from memory)."""
    entry = check_value("EWM-04")
    computed = [ewma_run_length(0.5, 2.0, mean) for mean in entry["inputs"]["mu"]]
    assert_allclose(computed, entry["expected"]["ARL"], atol=0.011)
    entry = check_value("EWM-05")
    computed = [ewma_run_length(0.1, 2.814, mean) for mean in entry["inputs"]["mu"]]
    assert_allclose(computed, entry["expected"]["ARL"], rtol=0.01)


@untimed
@given(st.floats(0.5, 4), st.floats(-1.5, 1.5))
def test_without_memory_both_are_the_shewhart_chart(limit: float, shift: float) -> None:
    """A CUSUM with h = 0 signals at the first value above k, an EWMA of weight 1 at the first beyond the limits."""
    assert_allclose(normal_cusum_run_length(limit, 0.0, shift), 1 / norm.sf(limit - shift), rtol=1e-6)
    beyond = norm.sf(limit - shift) + norm.cdf(-limit - shift)
    assert_allclose(ewma_run_length(1.0, limit, shift), 1 / beyond, rtol=1e-6)


@pytest.mark.parametrize(("weight", "shift"), [(0.05, 0.0), (0.05, 0.7), (0.3, 0.2)])
def test_ewma_equals_a_markov_chain(weight: float, shift: float) -> None:
    """Lucas & Saccucci (1990): 801 equal cells between the limits, each taken at its middle."""
    limit = 2.7 * np.sqrt(weight / (2 - weight))
    edges = np.linspace(-limit, limit, 802)
    middles = (edges[1:] + edges[:-1]) / 2
    reach = norm.cdf((edges - (1 - weight) * middles[:, np.newaxis]) / weight - shift)
    steps = np.linalg.solve(np.eye(801) - np.diff(reach), np.ones(801))
    assert_allclose(ewma_run_length(weight, 2.7, shift), steps[400], rtol=1e-3)


@pytest.mark.parametrize(("h", "shift", "headstart"), [(3.0, 0.6, 0.0), (3.0, 0.3, 1.5), (4.0, 1.0, 2.5)])
def test_simulated_charts_have_the_run_length(h: float, shift: float, headstart: float) -> None:
    """1,500 pairs of paths; the mean of their first signals within two standard errors."""
    values = np.random.default_rng(1982).normal(shift, size=(1500, 400))
    firsts = []
    for row in values:
        paths = tabular_cusum(row, 0.0, 0.5, h, headstart)
        firsts.append(np.argmax(paths.rise.beyond | paths.fall.beyond) + 1)
    error = np.std(firsts) / np.sqrt(len(firsts))
    assert abs(np.mean(firsts) - two_sided_cusum_run_length(0.5, h, shift, headstart)) < 2 * error


def test_both_sides_of_an_unchanged_process_halve_the_run_length() -> None:
    assert_allclose(two_sided_cusum_run_length(0.5, 4), normal_cusum_run_length(0.5, 4) / 2)
    assert_allclose(two_sided_cusum_run_length(0.5, 4, 0.8), two_sided_cusum_run_length(0.5, 4, -0.8))


def test_lengths_too_long_to_tell_are_infinite() -> None:
    """Against a shift the other way: at 9 sigmas the equations lose their digits, at 60 they are singular."""
    assert [normal_cusum_run_length(0.5, 5, shift) for shift in (-9.0, -60.0)] == [inf, inf]
    assert ewma_run_length(0.1, 9.0) == inf
    assert_allclose(two_sided_cusum_run_length(0.5, 5, 60.0, 2.5), 1.0)
    assert two_sided_cusum_run_length(0.5, 30) == inf


def test_the_longest_lengths_told_are_right() -> None:
    """One side takes 1.3e10 and is given as infinite; both together half of it, near Siegmund's approximation."""
    assert normal_cusum_run_length(0.5, 21.5) == inf
    assert_allclose(two_sided_cusum_run_length(0.5, 21.5), siegmund_run_length(0.5, 21.5) / 2, rtol=0.02)


@pytest.mark.parametrize("wanted", [50.0, 370.0, 5000.0])
def test_the_threshold_gives_the_wanted_run_length(wanted: float) -> None:
    h = threshold_for(wanted, lambda h: two_sided_cusum_run_length(0.5, h), 1e-6)
    assert_allclose(two_sided_cusum_run_length(0.5, h), wanted, rtol=1e-5)
    width = threshold_for(wanted, lambda width: ewma_run_length(0.2, width), 1e-6)
    assert_allclose(ewma_run_length(0.2, width), wanted, rtol=1e-5)


def test_the_threshold_of_the_published_tables(check_value: Callable[[str], Entry]) -> None:
    """Read the other way: 465 belongs to h = 5 (Montgomery), 26.45 to a width of 2 (Crowder)."""
    wanted = check_value("CUS-06")["expected"]["ARL"][0]
    assert_allclose(threshold_for(wanted, lambda h: two_sided_cusum_run_length(0.5, h), 1e-6), 5, atol=0.002)
    wanted = check_value("EWM-04")["expected"]["ARL"][0]
    assert_allclose(threshold_for(wanted, lambda width: ewma_run_length(0.5, width), 1e-6), 2, atol=2e-4)


@untimed
@given(st.integers(1, 1000), st.sampled_from([0.25, 0.1, 1.0]))
def test_the_threshold_is_the_smallest_multiple(tenths: int, step: float) -> None:
    """Of a run length known in closed form, h itself, also where it is reached exactly or at once."""
    wanted = tenths / 10
    h = threshold_for(wanted, lambda h: h, step)
    assert h >= wanted
    assert h - step < wanted


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: normal_cusum_run_length(np.nan, 5), "k "),
        (lambda: normal_cusum_run_length(0.5, -1), "h "),
        (lambda: normal_cusum_run_length(0.5, 5, np.inf), "shift"),
        (lambda: normal_cusum_run_length(0.5, 5, 0, 6), "headstart"),
        (lambda: two_sided_cusum_run_length(-0.1, 5), "k "),
        (lambda: two_sided_cusum_run_length(0.5, 5, 0, 3.1), "headstart"),
        (lambda: two_sided_cusum_run_length(0.5, 5, 0, -1), "headstart"),
        (lambda: siegmund_run_length(0.5, np.nan), "h "),
        (lambda: siegmund_run_length(0.5, 5, np.nan), "shift"),
        (lambda: ewma_run_length(0, 3), "weight"),
        (lambda: normal_cusum_run_length(0.5, 2000), "h "),
        (lambda: ewma_run_length(1e-7, 3), "weight"),
        (lambda: ewma_run_length(0.1, -3), "width"),
        (lambda: ewma_run_length(0.1, 3, np.nan), "shift"),
        (lambda: threshold_for(0, lambda h: h, 1.0), "wanted"),
        (lambda: threshold_for(1e11, lambda h: h, 1.0), "wanted"),
        (lambda: threshold_for(10, lambda h: h, 0.0), "step"),
    ],
)
def test_the_bad_argument_is_named(call: Callable[[], object], named: str) -> None:
    with pytest.raises(ValueError, match=named):
        call()
