"""The truth: which piercings come to harm, whoever hears of it.

Base rates, onset windows and effect sizes are assumptions for simulation, adapted from published surveys (which report
higher, self-told rates); a base rate is the mean over a year of one hole with some aftercare advice.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.contract.vocabulary import KIND_NAMES
from pipeline.simulate.draws import Mask, Whole, is_any, stream, whole_between
from pipeline.simulate.stories import INFECTIONS, Coincidence, Effect, Stories

Onset = Callable[[np.random.Generator, int], Whole]


def _within(first: int, last: int, shape: float, mean: float) -> Onset:
    """Days from `first` on by a gamma law of the given shape and mean, drawn evenly where it passes `last`."""

    def draw(rng: np.random.Generator, count: int) -> Whole:
        days = first + np.floor(rng.gamma(shape, mean / shape, count)).astype(np.int64)
        return np.where(days > last, whole_between(rng, first, last, count), days)

    return draw


def _mixture(share: float, one: Onset, other: Onset) -> Onset:
    def draw(rng: np.random.Generator, count: int) -> Whole:
        return np.where(rng.random(count) < share, one(rng, count), other(rng, count))

    return draw


@dataclass(frozen=True)
class Kind:
    """A complication's true risk per hole by site group, when it begins, and how grave it is (shares of 0 to 4).

    `immediate` is the share that happens, and is written down, during the piercing itself.
    """

    lobe: float
    upper_cartilage: float
    other_cartilage: float
    onset: Onset
    severity: tuple[float, float, float, float, float]
    lasts_days: float
    immediate: float = 0.0


_EVEN = 1.0  # shape of an exponential law
_INFECTION_ONSET = _within(1, 30, 2, 9)
_LATE_INFECTION_ONSET = _mixture(0.97, _INFECTION_ONSET, _within(31, 90, _EVEN, 20))
_ALLERGY_ONSET = _mixture(0.2, _within(1, 4, 2, 1.5), _within(10, 60, 2, 14))  # sensitised before, or newly

KINDS: dict[str, Kind] = {
    "minor_infection": Kind(0.030, 0.075, 0.084, _LATE_INFECTION_ONSET, (0, 0.95, 0.05, 0, 0), 8),
    "perichondritis": Kind(0.0005, 0.007, 0.0078, _within(2, 28, 3, 12), (0, 0, 0.5, 0.45, 0.05), 18),
    "systemic_infection": Kind(0.0001, 0.0005, 0.00056, _INFECTION_ONSET, (0, 0, 0, 1, 0), 10),
    "contact_allergy": Kind(0.008, 0.004, 0.004, _ALLERGY_ONSET, (0, 0.7, 0.3, 0, 0), 14),
    "embedded_stud": Kind(0.004, 0.003, 0.003, _within(3, 90, 2, 20), (0, 0, 0.8, 0.2, 0), 7),
    "excess_bleeding": Kind(0.003, 0.005, 0.005, _within(0, 2, _EVEN, 0.6), (0, 0.8, 0.15, 0.05, 0), 1, 0.5),
    "hypertrophic_scar": Kind(0.005, 0.04, 0.04, _within(28, 180, 2, 45), (0, 0.9, 0.1, 0, 0), 90),
    "keloid": Kind(0.002, 0.003, 0.003, _within(90, 720, 4, 255), (0, 0, 0.6, 0, 0.4), 400),
    "tear": Kind(0.002, 0.0005, 0.0005, _within(0, 365, _EVEN, 70), (0, 0.2, 0.5, 0.1, 0.2), 14),
    "migration": Kind(0.002, 0.008, 0.008, _within(14, 365, 2, 70), (0, 0.6, 0.4, 0, 0), 30),
    "misplacement": Kind(0.008, 0.008, 0.008, _within(0, 14, _EVEN, 4), (0.5, 0.5, 0, 0, 0), 30, 0.3),
    "lost_stud": Kind(0.015, 0.010, 0.010, _within(0, 90, _EVEN, 22), (0.6, 0.4, 0, 0, 0), 3),
    "faint": Kind(0.003, 0.003, 0.003, _within(0, 0, _EVEN, 0.1), (0.4, 0.6, 0, 0, 0), 1, 1.0),
}
"""True risk per hole; the faint's is per visit and falls on its first hole."""

_SUMMER = (6, 7, 8)
_SUMMER_FACTOR = 1.25
_SUMMER_SHARE = 92 / 365
_NO_ADVICE_FACTOR = 1.2
_CHILD_EMBEDDING_FACTOR, _CHILD_BELOW = 3.0, 10
_KELOID_FROM_AGE, _YOUNGER_KELOID_FACTOR = 11, 1 / 3
_HIGHEST_RISK = 0.9


def _summer() -> pl.Expr:
    """Factor on infection by month, 1 on average over a year."""
    rest = 1 / (1 + (_SUMMER_FACTOR - 1) * _SUMMER_SHARE)
    in_summer = pl.col("performed_on").dt.month().is_in(_SUMMER)
    return pl.when(in_summer).then(_SUMMER_FACTOR * rest).otherwise(rest)


def _common_factor(kind: str) -> pl.Expr:
    """What raises or lowers a risk everywhere alike: season, advice, age."""
    if kind in INFECTIONS:
        no_advice = pl.col("aftercare_given") == "none"
        return _summer() * pl.when(no_advice).then(_NO_ADVICE_FACTOR).otherwise(1.0)
    if kind == "embedded_stud":
        return pl.when(pl.col("age_years") < _CHILD_BELOW).then(_CHILD_EMBEDDING_FACTOR).otherwise(1.0)
    if kind == "keloid":
        return pl.when(pl.col("age_years") < _KELOID_FROM_AGE).then(_YOUNGER_KELOID_FACTOR).otherwise(1.0)
    if kind == "faint":
        return pl.when(pl.col("hole_no") == 1).then(1.0).otherwise(0.0)
    return pl.lit(1.0)


def _risk(kind: str, effects: tuple[Effect, ...]) -> pl.Expr:
    """The true risk of a kind for each piercing."""
    base = KINDS[kind]
    risk = (
        pl.when(pl.col("site_group") == "lobe")
        .then(base.lobe)
        .when(pl.col("site_group") == "upper_cartilage")
        .then(base.upper_cartilage)
        .otherwise(base.other_cartilage)
    ) * _common_factor(kind)
    for effect in effects:
        if kind in effect.complications:
            risk = risk * pl.when(effect.where).then(effect.factor).otherwise(1.0)
    return risk.clip(0, _HIGHEST_RISK)


def _draw_kind(kind: str, piercings: pl.DataFrame, stories: Stories, rng: np.random.Generator) -> pl.DataFrame:
    """The piercings that come to one kind of harm, when, and how badly."""
    risk = piercings.select(_risk(kind, stories.effects)).to_series().to_numpy()
    harmed = np.flatnonzero(rng.random(len(risk)) < risk)
    return _course(kind, piercings["piercing"].to_numpy()[harmed], rng)


def _course(kind: str, piercing: Whole, rng: np.random.Generator) -> pl.DataFrame:
    """Onset, severity and end of one kind of harm for the given piercings."""
    law = KINDS[kind]
    count = len(piercing)
    onset = law.onset(rng, count)
    immediate: Mask = rng.random(count) < law.immediate
    severity = np.searchsorted(np.cumsum(law.severity), rng.random(count), side="right")
    lasts = 1 + np.ceil(rng.gamma(3, max(law.lasts_days, 1) / 3, count)).astype(np.int64)
    return pl.DataFrame(
        {
            "piercing": piercing,
            "onset": np.where(immediate, 0, onset),
            "severity": np.minimum(severity, 4),
            "lasts": lasts,
            "immediate": immediate,
        }
    ).with_columns(kind=pl.lit(kind, pl.Enum(KIND_NAMES)), forced=pl.lit(value=False))


def _impose(
    truth: pl.DataFrame, piercings: pl.DataFrame, coincidence: Coincidence, rng: np.random.Generator
) -> pl.DataFrame:
    """Put so many infections, each of which comes to light, in the place of those that chance had drawn.

    Allergies go too, since some may be told as infections.
    """
    there = piercings.filter(
        is_any("branch_id", [coincidence.branch_id]),
        pl.col("performed_on").is_between(coincidence.first_on, coincidence.last_on),
    )["piercing"]
    replaced = is_any("kind", (*INFECTIONS, "contact_allergy"))
    kept = truth.filter(~(pl.col("piercing").is_in(there.implode()) & replaced))
    chosen = np.sort(rng.choice(there.to_numpy(), coincidence.infections, replace=False))
    fated = _course("minor_infection", chosen, rng).with_columns(forced=pl.lit(value=True))
    return pl.concat([kept, fated.with_columns(pl.col("onset").clip(upper_bound=25))])


def draw_truth(piercings: pl.DataFrame, stories: Stories, seed: int) -> pl.DataFrame:
    """One row per completed piercing and kind of harm it truly comes to.

    Columns: piercing, visit, kind, onset (days after the piercing), severity, lasts (days), immediate, forced (comes to
    light whatever chance says), day (of the piercing).
    """
    rng = stream(seed, "truth")
    piercings = piercings.filter(pl.col("status") == "completed")
    truth = pl.concat([_draw_kind(kind, piercings, stories, rng) for kind in KINDS])
    for coincidence in stories.coincidences:
        truth = _impose(truth, piercings, coincidence, rng)
    one_at_once = pl.int_range(pl.len()).over("piercing", "immediate") == 0
    truth = truth.sort("piercing", "kind").with_columns(immediate=pl.col("immediate") & one_at_once)
    return truth.join(piercings.select("piercing", "visit", "day"), on="piercing", how="left", maintain_order="left")
