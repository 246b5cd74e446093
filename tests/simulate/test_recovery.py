"""What was put into a plain chain can be found again in its truth, and through its exports.

Bounds are four standard errors of a binomial share, unless they say otherwise. Rates are the project's own assumptions
(see pipeline/simulate/complications.py), not published values.
"""

import json
import math

import polars as pl
import pytest

from pipeline.contract.vocabulary import INFECTION
from pipeline.simulate import SimulationReport

from .exports import events, piercings, reached

ONSETS = {
    "perichondritis": (2, 28),
    "systemic_infection": (1, 30),
    "contact_allergy": (1, 60),
    "embedded_stud": (3, 90),
    "excess_bleeding": (0, 2),
    "hypertrophic_scar": (28, 180),
    "keloid": (90, 720),
    "migration": (14, 365),
    "misplacement": (0, 14),
    "lost_stud": (0, 90),
}
SAME_FOR_ALL = (
    "contact_allergy",
    "excess_bleeding",
    "hypertrophic_scar",
    "tear",
    "migration",
    "misplacement",
    "lost_stud",
)


def assert_share(events_: int, of: int, expected: float, errors: float = 4) -> None:
    bound = errors * math.sqrt(expected * (1 - expected) / of)
    assert abs(events_ / of - expected) <= bound, (
        f"{events_}/{of} = {events_ / of:.4f}, expected {expected:.4f} +- {bound:.4f}"
    )


@pytest.fixture(scope="module")
def base(plain: SimulationReport) -> dict[str, dict[str, float]]:
    key = json.loads((plain.answer_key / "key.json").read_text(encoding="utf-8"))
    rates: dict[str, dict[str, float]] = key["true_risk_per_hole"]
    return rates


@pytest.mark.parametrize("group", ["lobe", "upper_cartilage"])
@pytest.mark.parametrize("kind", SAME_FOR_ALL)
def test_true_risks_are_the_base_rates(
    truth: pl.DataFrame, harm: pl.DataFrame, base: dict[str, dict[str, float]], kind: str, group: str
) -> None:
    harmed = harm.filter((pl.col("true_complication") == kind) & (pl.col("site_group") == group))
    assert_share(len(harmed), truth.filter(pl.col("site_group") == group).height, base[kind][group])


@pytest.mark.parametrize(("group", "risk"), [("lobe", 0.0306), ("upper_cartilage", 0.0825)])
def test_infection_is_its_base_rate_over_two_whole_years(
    truth: pl.DataFrame, harm: pl.DataFrame, group: str, risk: float
) -> None:
    """Lobes 3 + 0.05 + 0.01 %, upper cartilage 7.5 + 0.7 + 0.05 %; lack of advice adds half a percent of that."""
    harmed = harm.filter(pl.col("true_complication").is_in(INFECTION.members) & (pl.col("site_group") == group))
    assert_share(len(harmed), truth.filter(pl.col("site_group") == group).height, risk * 1.005)


def test_summer_raises_infection_by_a_quarter(truth: pl.DataFrame, harm: pl.DataFrame) -> None:
    in_summer = pl.col("performed_on").dt.month().is_in([6, 7, 8])
    infected = harm.filter(pl.col("true_complication").is_in(INFECTION.members))
    summer, rest = ((infected.filter(when).height, truth.filter(when).height) for when in (in_summer, ~in_summer))
    ratio = (summer[0] / summer[1]) / (rest[0] / rest[1])
    error = math.sqrt(1 / summer[0] + 1 / rest[0])
    assert abs(math.log(ratio / 1.25)) < 4 * error


def test_studs_bury_themselves_three_times_as_often_in_young_children(truth: pl.DataFrame, harm: pl.DataFrame) -> None:
    lobes = truth.filter((pl.col("site_group") == "lobe") & (pl.col("age_years") < 10))
    embedded = harm.filter(pl.col("true_complication") == "embedded_stud").join(lobes, on="procedure_id", how="semi")
    assert_share(len(embedded), len(lobes), 3 * 0.004)


@pytest.mark.parametrize("kind", ONSETS)
def test_onsets_lie_in_their_window(harm: pl.DataFrame, kind: str) -> None:
    days = harm.filter(pl.col("true_complication") == kind)["days"]
    first, last = ONSETS[kind]
    assert len(days) > 10
    assert days.is_between(first, last).all()


def test_minor_infections_begin_within_a_month_but_a_few_later(harm: pl.DataFrame) -> None:
    days = harm.filter(pl.col("true_complication") == "minor_infection")["days"]
    assert days.is_between(1, 90).all()
    assert_share(int((days <= 30).sum()), len(days), 0.97)


def test_each_branch_reaches_its_share(plain: SimulationReport) -> None:
    """Contacts that name no visit are passed over here, so a little less is found than was put in."""
    reach = json.loads((plain.answer_key / "key.json").read_text(encoding="utf-8"))["reach"]
    visits = (
        piercings(plain.directory).filter(pl.col("day") <= plain.last_day - pl.duration(days=44)).unique("visit_id")
    )
    found = visits.join(reached(plain.directory, 30), on="visit_id", how="semi").group_by("branch_id").len("reached")
    shares = visits.group_by("branch_id").len().join(found, on="branch_id")
    for branch_id, count, n_reached in shares.rows():
        assert -0.11 < n_reached / count - reach[branch_id] < 0.04, branch_id


@pytest.mark.parametrize(("window", "most"), [(90, 0.75), (365, 0.45)])
def test_later_windows_are_reached_too(plain: SimulationReport, window: int, most: float) -> None:
    visits = piercings(plain.directory).filter(pl.col("day") <= plain.last_day - pl.duration(days=window + 14))
    share = visits.join(reached(plain.directory, window), on="visit_id", how="semi").height / len(visits)
    assert 0.1 < share < most


def test_observed_infection_is_what_the_reach_lets_through(
    plain: SimulationReport, truth: pl.DataFrame, harm: pl.DataFrame
) -> None:
    """Reached 0.9, else 0.15 (mild): between the two, weighted by reach, for all branches together."""
    reach = json.loads((plain.answer_key / "key.json").read_text(encoding="utf-8"))["reach"]
    mature = pl.col("performed_on") <= plain.last_day - pl.duration(days=44)
    holes = truth.filter(mature)
    mean_reach = holes.select(pl.col("branch_id").replace_strict(reach).mean()).item()
    expected = mean_reach * (0.9 - 0.15) + 0.15
    mild = harm.filter(mature & (pl.col("true_complication") == "minor_infection") & (pl.col("severity") < 2))
    assert_share(mild.filter("heard").height, len(mild), expected)
    seen = events(plain.directory, INFECTION.members, 30).join(holes, on="procedure_id").height
    assert seen / len(holes) == pytest.approx(0.025, abs=0.003)  # the 2.5 % that 60 % reach was meant to show


def test_a_serious_complication_is_told_unasked(harm: pl.DataFrame, plain: SimulationReport) -> None:
    mature = pl.col("performed_on") <= plain.last_day - pl.duration(days=44)
    passive = pl.col("branch_id").is_in(["B10"])
    serious = harm.filter(mature & passive & (pl.col("severity") >= 2) & ~pl.col("immediate"))
    assert 0.6 < serious["heard"].mean() < 0.85  # type: ignore[operator]


def test_a_report_is_recorded_some_four_days_after_onset(harm: pl.DataFrame) -> None:
    heard = harm.filter(pl.col("heard") & pl.col("true_complication").is_in(INFECTION.members))
    delay = (heard["heard_on"] - heard["onset_on"]).dt.total_days()
    assert delay.min() == 0
    assert delay.median() in (3, 4, 5)
