"""Ears of clients: another library's cluster-robust variance, cases known beforehand, and simulated coverage."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from numpy.typing import ArrayLike
from statsmodels.api import OLS

from pipeline.stats.clustered import client_proportion, ear_proportion
from pipeline.stats.intervals import Interval, wilson, wilson_effective

from .conftest import untimed

CLIENT = st.integers(1, 5).flatmap(lambda ears: st.tuples(st.integers(0, ears), st.just(ears)))
CLIENTS = st.lists(CLIENT, min_size=2, max_size=40)


def _ends(interval: Interval) -> list[float]:
    return [float(interval.low), float(interval.high)]


@untimed
@given(CLIENTS)
def test_design_effect_equals_a_cluster_robust_variance(clients: list[tuple[int, int]]) -> None:
    """A regression of each ear's outcome on nothing has the share as its mean; its variance by client is ours."""
    events, ears = np.array(clients).T
    if events.sum() in (0, ears.sum()):
        return
    outcome = np.concatenate([np.arange(n) < x for x, n in clients]).astype(float)
    client = np.repeat(np.arange(len(clients)), ears)
    fit = OLS(outcome, np.ones_like(outcome)).fit(cov_type="cluster", cov_kwds={"groups": client})
    result, share = ear_proportion(events, ears), outcome.mean()
    effect = max(1.0, fit.cov_params()[0, 0] / (share * (1 - share) / outcome.size))
    assert_allclose(result.share, share)
    assert_allclose(result.design_effect, effect, rtol=1e-9)
    assert_allclose(_ends(result.clustered), _ends(wilson_effective(events.sum() / effect, ears.sum() / effect)))
    assert_allclose(_ends(result.plain), _ends(wilson(events.sum(), ears.sum())))


def test_design_effect_by_hand() -> None:
    """Five clients, 4 of 10 ears: residuals 1.2, -0.8, 0.2, -0.2 and -0.4, so v = 5 / 4 * 2.32 / 100."""
    result = ear_proportion([2, 0, 1, 1, 0], [2, 2, 2, 3, 1])
    assert_allclose(result.design_effect, 10 * 0.029 / 0.24)
    assert_allclose(_ends(result.clustered), _ends(wilson_effective(4 / (0.29 / 0.24), 10 / (0.29 / 0.24))))


@untimed
@given(st.lists(st.booleans(), min_size=2, max_size=60), st.integers(1, 6))
def test_ears_that_are_wholly_alike_count_as_their_clients(affected: list[bool], ears: int) -> None:
    """The design effect is the number of ears, by the correction m / (m - 1) for as many clients as there are."""
    clients = len(affected)
    result = ear_proportion(np.array(affected) * ears, [ears] * clients)
    correction = clients / (clients - 1) if 0 < sum(affected) < clients else 1
    assert_allclose(result.design_effect, ears * correction)
    assert_allclose(
        _ends(result.clustered), _ends(wilson_effective(sum(affected) / correction, clients / correction)), atol=1e-12
    )


def test_ears_that_differ_more_than_by_chance_are_not_taken_for_more_than_they_are() -> None:
    """One event of two ears in each client: the variance by client is 0, the design effect 1 all the same."""
    result = ear_proportion([1] * 20, [2] * 20)
    assert result.design_effect == 1
    assert _ends(result.clustered) == _ends(result.plain)


@pytest.mark.parametrize("share", [0, 1])
def test_none_and_all_count_a_clients_ears_as_wholly_alike(share: int) -> None:
    ears = np.array([1, 2, 2, 3])
    result = ear_proportion(share * ears, ears)
    assert result.design_effect == 18 / 8
    assert_allclose(_ends(result.clustered), _ends(wilson_effective(share * 64 / 18, 64 / 18)))
    assert result.share == share


def test_below_two_clients_only_the_plain_interval_is_known() -> None:
    result = ear_proportion([1], [3])
    assert _ends(result.plain) == _ends(wilson(1, 3))
    assert np.isnan([result.design_effect, *_ends(result.clustered)]).all()


@pytest.mark.parametrize("ears", [[], [0], [0, 0]])
def test_without_ears_nothing_is_known(ears: list[int]) -> None:
    result, clients = ear_proportion(ears, ears), client_proportion(ears, ears)
    assert np.isnan([result.share, result.design_effect, *_ends(result.plain), *_ends(result.clustered)]).all()
    assert np.isnan([clients.share, *_ends(clients.interval)]).all()


@untimed
@given(CLIENTS, st.randoms(use_true_random=False))
def test_order_and_clients_without_ears_do_not_matter(clients: list[tuple[int, int]], random: object) -> None:
    shuffled = [*clients, (0, 0)]
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    result, again = ear_proportion(*np.array(clients).T), ear_proportion(*np.array(shuffled).T)
    assert_allclose(again.design_effect, result.design_effect)
    assert_allclose(_ends(again.clustered), _ends(result.clustered), atol=1e-12)
    assert client_proportion(*np.array(shuffled).T).share == client_proportion(*np.array(clients).T).share


def test_clients_count_once() -> None:
    result = client_proportion([2, 0, 1, 0, 0], [2, 2, 3, 1, 0])
    assert result.share == 2 / 4
    assert _ends(result.interval) == _ends(wilson(2, 4))


def _coverage(correlation: float, share: float) -> tuple[float, float]:
    """Of the plain and the clustered interval: 1,000 times 120 clients of 1 to 4 ears, beta-binomial."""
    random = np.random.default_rng(1992)
    total = 1 / correlation - 1
    held = np.zeros(2)
    for _ in range(1000):
        ears = random.integers(1, 5, 120)
        result = ear_proportion(random.binomial(ears, random.beta(share * total, (1 - share) * total, 120)), ears)
        held += [interval.low <= share <= interval.high for interval in (result.plain, result.clustered)]
    return tuple(held / 1000)


@pytest.mark.parametrize(
    ("correlation", "share", "plain", "clustered"),
    [(0.3, 0.15, 0.88, 0.95), (0.6, 0.15, 0.81, 0.95), (0.7, 0.02, 0.79, 0.91), (1e-6, 0.15, 0.95, 0.95)],
)
def test_covers_where_the_plain_interval_does_not(
    correlation: float, share: float, plain: float, clustered: float
) -> None:
    """Within three standard errors of what 12,000 simulations gave; the last has ears that are independent."""
    covers_plain, covers_clustered = _coverage(correlation, share)
    assert_allclose(covers_plain, plain, atol=3 * np.sqrt(plain * (1 - plain) / 1000))
    assert_allclose(covers_clustered, clustered, atol=3 * np.sqrt(clustered * (1 - clustered) / 1000))


@pytest.mark.parametrize("proportion_of", [ear_proportion, client_proportion])
@pytest.mark.parametrize(
    ("events", "ears", "named"),
    [
        ([-1], [2], "events"),
        ([np.nan], [2], "events"),
        ([1], [1.5], "ears"),
        ([1], [np.inf], "ears"),
        ([3], [2], "events .* ears"),
        ([1], [0], "events .* ears"),
        ([1, 1], [2, 2, 2], "events .* ears"),
        (1, [2], "events"),
        ([1], 2, "ears"),
    ],
)
def test_the_bad_argument_is_named(proportion_of: object, events: ArrayLike, ears: ArrayLike, named: str) -> None:
    with pytest.raises(ValueError, match=named):
        proportion_of(events, ears)  # type: ignore[operator]
