"""Time to event: published values, two other libraries, curves written out by hand, and known truths recovered."""

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from numpy.typing import NDArray
from scipy.stats import norm

from pipeline.stats.cumulative_incidence import cumulative_incidence
from pipeline.stats.log_rank import log_rank
from pipeline.stats.survival import Curve, kaplan_meier, nelson_aalen

from .conftest import Columns, Entry, untimed

SUBJECTS = st.lists(st.tuples(st.integers(0, 9), st.integers(0, 2)), min_size=1, max_size=25)
"""Days, few of them so that there are ties, and the cause (0 where none)."""


def test_remission_of_leukaemia_by_kaplan_meier(check_value: Callable[[str], Entry]) -> None:
    """Freireich et al. (1963), Blood 21:699-716; Klein & Moeschberger, Table 4.1 (outputs from memory)."""
    entry = check_value("SUR-01")
    curve = kaplan_meier(entry["inputs"]["time"], entry["inputs"]["event"])
    assert_array_equal(curve.days, entry["expected"]["t"])
    assert_allclose(curve.values.estimate, entry["expected"]["S"], atol=6e-4, rtol=0)
    assert_allclose(np.sqrt(curve.values.variance), entry["expected"]["se"], atol=6e-4, rtol=0)


def test_remission_of_leukaemia_by_nelson_aalen(check_value: Callable[[str], Entry]) -> None:
    """Klein & Moeschberger, Table 4.2 (from memory); the errors are computed."""
    data, entry = check_value("SUR-01")["inputs"], check_value("SUR-02")
    curve = nelson_aalen(data["time"], data["event"])
    assert_allclose(curve.values.estimate, entry["expected"]["H"], atol=1.1e-4, rtol=0)
    assert_allclose(np.sqrt(curve.values.variance), entry["expected"]["se"], atol=1.1e-4, rtol=0)


def test_log_log_interval_of_another_library(check_value: Callable[[str], Entry]) -> None:
    """By lifelines 0.30.3 on the same data, days 6, 13 and 23 (run once, not a dependency)."""
    data = check_value("SUR-01")["inputs"]
    at = kaplan_meier(data["time"], data["event"]).at([6, 13, 23])
    assert_allclose(at.low, [0.6197179552659838, 0.4316102224861839, 0.18805200595923233], rtol=1e-9)
    assert_allclose(at.high, [0.9515517476469969, 0.8490659633494505, 0.6801426284952412], rtol=1e-9)


def test_interval_of_a_hazard_by_hand() -> None:
    """Three events among 21 at once: H = 1/7 and its standard deviation over H is 1 / sqrt(3)."""
    curve = nelson_aalen([6] * 3 + [9] * 18, [1] * 3 + [0] * 18)
    factor = np.exp(norm.isf(0.025) / np.sqrt(3))
    assert_allclose([curve.values.low, curve.values.high], [[1 / 7 / factor], [1 / 7 * factor]], rtol=1e-12)


@untimed
@given(SUBJECTS)
def test_kaplan_meier_is_the_product_written_out(subjects: list[tuple[int, int]]) -> None:
    curve = kaplan_meier(*_events(subjects))
    hazard = nelson_aalen(*_events(subjects))
    for day in range(10):
        survival, summed, greenwood = 1.0, 0.0, 0.0
        for step in range(day + 1):
            at_risk = sum(time >= step for time, _ in subjects)
            events = sum(time == step and cause > 0 for time, cause in subjects)
            if events:
                survival *= 1 - events / at_risk
                summed += events / at_risk
                greenwood += events / (at_risk * (at_risk - events)) if at_risk > events else np.nan
        last = max(time for time, _ in subjects)
        known = day <= last
        at = curve.at(day)
        assert_allclose(at.estimate, survival if known or survival < 1e-12 else np.nan, atol=1e-12)
        assert_allclose(at.variance, survival**2 * greenwood if known or survival < 1e-12 else np.nan, atol=1e-12)
        assert_allclose(hazard.at(day).estimate, summed if known else np.nan, atol=1e-12)


def test_a_step_holds_from_its_day_on() -> None:
    curve = kaplan_meier([3, 5, 8], [1, 0, 1])
    assert_allclose(curve.at([0, 2.99, 3, 7.5, 8, 90]).estimate, [1, 1, 2 / 3, 2 / 3, 0, 0])
    assert_array_equal(curve.at_risk, [3, 1])
    assert_array_equal(curve.events, [1, 1])
    assert curve.at([[3], [8]]).high.shape == (2, 1)


def test_unknown_past_the_last_day_observed() -> None:
    everyone_has_the_event = kaplan_meier([2, 4], [1, 1])
    assert everyone_has_the_event.at(1000).estimate == 0
    assert np.isnan(everyone_has_the_event.at(1000).low)
    assert np.isnan(kaplan_meier([2, 4], [1, 0]).at(4.1).estimate)
    assert np.isnan(nelson_aalen([2, 4], [1, 1]).at(5).estimate)
    one, other = cumulative_incidence([2, 4], [2, 1], 2)
    assert_array_equal([one.at(9).estimate, other.at(9).estimate], [0.5, 0.5])
    assert np.isnan(cumulative_incidence([2, 4], [1, 0], 1)[0].at(9).estimate)


def test_nobody_has_the_event() -> None:
    for curve, start in _all_curves([7, 30], [0, 0]):
        at = curve.at([0, 30, 31])
        assert curve.days.shape == (0,)
        assert_array_equal(at.estimate, [start, start, np.nan])
        assert_array_equal(at.variance, [0, 0, np.nan])
        assert np.isnan([at.low, at.high]).all()


def test_no_subjects() -> None:
    for curve, _ in _all_curves([], []):
        assert np.isnan([curve.at([0, 1]).estimate, curve.at([0, 1]).variance]).all()
        assert curve.known_to == -1


def test_an_event_on_day_0_counts() -> None:
    assert_allclose(kaplan_meier([0, 5, 0, 5], [1, 0, 0, 0]).at(0).estimate, 3 / 4)


def test_relapse_and_death_after_transplant(
    check_value: Callable[[str], Entry], data_columns: Callable[[str], Columns]
) -> None:
    """Data of Klein & Moeschberger, sect. 1.3; R cmprsk and lifelines agree on the values."""
    entry = check_value("CIF-02")["expected"]
    data = data_columns("derived_bmt_competing.csv")
    for group, relapse, death in zip(
        (1, 2, 3), entry["group1_2_3_relapse_365_730"], entry["group1_2_3_TRM"], strict=True
    ):
        part = data["group"] == group
        curves = cumulative_incidence(data["t"][part], data["status"][part], 2)
        assert_allclose(curves[0].at([365, 730]).estimate, relapse, atol=6e-5)
        assert_allclose(curves[1].at([365, 730]).estimate, death, atol=6e-5)


@untimed
@given(SUBJECTS)
def test_incidence_equals_statsmodels(subjects: list[tuple[int, int]]) -> None:
    """Its variances are held only up to the day on which the last observed have the event: there it divides by 0."""
    from statsmodels.duration.survfunc import CumIncidenceRight

    time, cause = np.array(subjects).T
    with np.errstate(divide="ignore", invalid="ignore"):
        other = CumIncidenceRight(time, cause)
    curves = cumulative_incidence(time, cause, 2)
    before_last = other.times < time.max()
    for curve, incidence, error in zip(curves, other.cinc, other.cinc_se, strict=False):
        at = curve.at(other.times)
        assert_allclose(at.estimate, incidence, atol=1e-12)
        assert_allclose(at.variance[before_last], error[before_last] ** 2, atol=1e-12)


@untimed
@given(SUBJECTS)
def test_incidences_and_survival_add_up_to_1(subjects: list[tuple[int, int]]) -> None:
    time, cause = np.array(subjects).T
    days = np.arange(time.max() + 1)
    first, second = (curve.at(days).estimate for curve in cumulative_incidence(time, cause, 2))
    assert_allclose(first + second + kaplan_meier(time, cause > 0).at(days).estimate, 1, atol=1e-12)


@untimed
@given(SUBJECTS)
def test_incidence_of_one_cause_mirrors_kaplan_meier(subjects: list[tuple[int, int]]) -> None:
    time, event = _events(subjects)
    (incidence,), survival = cumulative_incidence(time, event, 1), kaplan_meier(time, event)
    left = survival.values.estimate > 1e-12
    assert_allclose(incidence.values.variance[left], survival.values.variance[left], atol=1e-12)
    assert_allclose(incidence.values.low[left], 1 - survival.values.high[left], atol=1e-9)
    assert_allclose(incidence.values.high[left], 1 - survival.values.low[left], atol=1e-9)


@untimed
@given(st.lists(st.tuples(st.integers(0, 9), st.integers(1, 2)), min_size=1, max_size=25))
def test_variance_of_incidence_where_all_have_an_event_is_binomial(subjects: list[tuple[int, int]]) -> None:
    """I (1 - I) / n, up to the last day and on it."""
    time, cause = np.array(subjects).T
    for curve in cumulative_incidence(time, cause, 2):
        share = curve.values.estimate
        assert_allclose(curve.values.variance, share * (1 - share) / len(time), atol=1e-12)


def test_incidence_recovers_two_hazards() -> None:
    """Hazards of 0.01 and 0.02 a day, observed for up to 120 days: I_1(t) = (1 - exp(-0.03 t)) / 3.

    Kaplan-Meier that takes the other cause as unobserved gives 1 - exp(-0.01 t) instead, which is more.
    """
    random = np.random.default_rng(1978)
    _, cause, observed = _two_hazards(random, 20_000)
    days = np.array([20, 50, 100])
    first, second = cumulative_incidence(observed, cause, 2)
    truth = -np.expm1(-0.03 * days) / 3
    assert_allclose(first.at(days).estimate, truth, atol=0.015)
    assert_allclose(second.at(days).estimate, 2 * truth, atol=0.015)
    assert_allclose(1 - kaplan_meier(observed, cause == 1).at(days).estimate, -np.expm1(-0.01 * days), atol=0.03)


def test_intervals_cover_the_truth() -> None:
    """In 400 worlds of 60 subjects: each 95 % interval on day 40 holds the truth in 92 to 98 of 100."""
    random = np.random.default_rng(1926)
    held = []
    for _ in range(400):
        _, cause, observed = _two_hazards(random, 60)
        curves = (
            kaplan_meier(observed, cause > 0),
            nelson_aalen(observed, cause > 0),
            cumulative_incidence(observed, cause, 2)[0],
        )
        truths = (np.exp(-1.2), 1.2, -np.expm1(-1.2) / 3)
        held.append(
            [curve.at(40).low <= truth <= curve.at(40).high for curve, truth in zip(curves, truths, strict=True)]
        )
    share = np.mean(held, axis=0)
    assert (share > 0.92).all()
    assert (share < 0.98).all()


def test_log_rank_of_treatment_and_placebo(check_value: Callable[[str], Entry]) -> None:
    """Freireich et al. (1963); the statistic is printed in many texts (from memory). Placebo is the first group."""
    mp, entry = check_value("SUR-01")["inputs"], check_value("SUR-03")
    placebo = entry["inputs"]["placebo_time"]
    result = log_rank(placebo + mp["time"], [1] * 21 + mp["event"], [0] * 21 + [1] * 21, 2)
    assert_array_equal(result.observed, entry["expected"]["O"])
    assert_allclose(result.expected, entry["expected"]["E"], atol=0.06)
    assert_allclose(result.statistic, entry["expected"]["chi2"], atol=6e-3)
    assert_allclose(result.p_value, float(entry["expected"]["p"]), atol=5e-6)


def test_log_rank_of_three_groups_after_transplant(
    check_value: Callable[[str], Entry], data_columns: Callable[[str], Columns]
) -> None:
    """Klein & Moeschberger, Example 7.4 (from memory; data of Copelan et al. 1991)."""
    entry = check_value("SUR-06")["expected"]
    data = data_columns("kmsurv_bmt.csv")
    result = log_rank(data["t2"], data["d3"], data["group"] - 1, 3)
    assert_allclose(result.statistic, entry["chi2"], atol=0.01)
    assert result.degrees == entry["df"]
    assert_allclose(result.p_value, entry["p"], atol=5e-4)


@untimed
@given(st.lists(st.tuples(st.integers(0, 9), st.booleans(), st.integers(0, 2)), min_size=2, max_size=30))
def test_log_rank_equals_statsmodels(subjects: list[tuple[int, bool, int]]) -> None:
    from statsmodels.duration.survfunc import survdiff

    time, event, group = np.array(subjects).T
    result = log_rank(time, event, group, 3)
    assert_allclose(result.expected.sum(), result.observed.sum(), atol=1e-9)
    part = np.isin(group, np.flatnonzero(result.expected))
    if np.isnan(result.statistic):
        return
    statistic, p_value = survdiff(time[part], event[part], group[part])
    assert_allclose([result.statistic, result.p_value], [statistic, p_value], rtol=1e-6, atol=1e-9)


def test_log_rank_keeps_its_level() -> None:
    """While three groups do not differ, 5 of 100 worlds have a p value below 0.05, give or take two errors."""
    random = np.random.default_rng(1972)
    group = np.repeat([0, 1, 2], [30, 20, 10])
    found = []
    for _ in range(500):
        _, cause, observed = _two_hazards(random, 60)
        found.append(log_rank(observed, cause > 0, group, 3).p_value < 0.05)
    assert abs(np.mean(found) - 0.05) < 0.02


def test_log_rank_where_a_group_has_nobody() -> None:
    with_empty = log_rank([1, 2, 3, 4], [1, 1, 0, 1], [0, 2, 0, 2], 3)
    without = log_rank([1, 2, 3, 4], [1, 1, 0, 1], [0, 1, 0, 1], 2)
    assert with_empty.statistic == without.statistic
    assert with_empty.degrees == 1
    assert_array_equal(with_empty.expected[[0, 2]], without.expected)


@pytest.mark.parametrize(
    ("times", "event", "group", "degrees"),
    [
        ([], [], [], 0),
        ([3, 4], [0, 0], [0, 1], 0),
        ([3, 4], [1, 1], [1, 1], 0),
        ([3, 3, 3], [1, 1, 1], [0, 0, 1], 1),
        ([1, 2, 3], [0, 1, 1], [0, 1, 1], 0),
    ],
)
def test_log_rank_of_nothing_to_compare(times: list[int], event: list[int], group: list[int], degrees: int) -> None:
    """Nobody, no events, one group, all on one day, and a group that left before the first event."""
    result = log_rank(times, event, group, 2)
    assert np.isnan([result.statistic, result.p_value]).all()
    assert result.degrees == degrees


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: kaplan_meier([-1], [1]), "times"),
        (lambda: kaplan_meier([np.nan], [1]), "times"),
        (lambda: kaplan_meier([1], [2]), "event"),
        (lambda: nelson_aalen([1, 2], [1]), "event"),
        (lambda: nelson_aalen([[1]], [1]), "times"),
        (lambda: cumulative_incidence([1], [3], 2), "cause"),
        (lambda: cumulative_incidence([1, 2], [1], 2), "cause"),
        (lambda: cumulative_incidence([np.inf], [1], 2), "times"),
        (lambda: log_rank([1], [1], [2], 2), "group"),
        (lambda: log_rank([1, 2], [1, 1], [0], 2), "group"),
        (lambda: kaplan_meier([1], [1]).at([-1]), "days"),
    ],
)
def test_the_bad_argument_is_named(call: Callable[[], object], named: str) -> None:
    with pytest.raises(ValueError, match=named):
        call()


def _events(subjects: list[tuple[int, int]]) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    time, cause = np.array(subjects).T
    return time, cause > 0


def _all_curves(times: list[int], event: list[int]) -> list[tuple[Curve, float]]:
    incidences = cumulative_incidence(times, event, 2)
    return [
        (kaplan_meier(times, event), 1.0),
        (nelson_aalen(times, event), 0.0),
        *((curve, 0.0) for curve in incidences),
    ]


def _two_hazards(
    random: np.random.Generator, subjects: int
) -> tuple[NDArray[np.float64], NDArray[np.int64], NDArray[np.float64]]:
    """Days to the event, the cause seen (1 with hazard 0.01, 2 with 0.02, 0 where it was not) and days observed."""
    time, end = random.exponential(1 / 0.03, subjects), random.uniform(0, 120, subjects)
    cause = np.where(time <= end, np.where(random.random(subjects) < 1 / 3, 1, 2), 0)
    return time, cause, np.minimum(time, end)
