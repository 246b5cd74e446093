"""What the branches hear: which complications come to light, when, and how they are told.

A complication is heard of with probability 0.9 where the visit was reached in the complication's window, else by the
client's own report: 0.15 if mild, 0.7 if serious (assumptions).
"""

import numpy as np
import polars as pl

from pipeline.contract.vocabulary import KIND_NAMES, KINDS
from pipeline.simulate.asking import Asking
from pipeline.simulate.draws import MINUTES_PER_DAY, Mask, Whole, is_any, stream, whole_between
from pipeline.simulate.stories import Mislabelling

HEARD_IF_REACHED, HEARD_IF_MILD, HEARD_IF_SERIOUS = 0.9, 0.15, 0.7
SERIOUS = 2  # severity from which a complication counts as serious
_TELLS_AFTER_DAYS = 4.0  # median from onset until a client tells unasked
_TELLS_SPREAD = 0.8  # standard deviation of its logarithm
_NOT_LONGER_THAN = 100
_CLINICIAN_BY_SEVERITY = np.array([0.0, 0.1, 0.5, 1.0, 1.0])
_STUD_OUT_BY_SEVERITY = np.array([0.0, 0.1, 0.8, 0.7, 0.7])
_CULTURE = 0.15
_REFERRED = 0.75
_NEVER = 10_000  # days: later than any occasion
_OPENS, _CLOSES = 10 * 60, 18 * 60


def _windows(truth: pl.DataFrame) -> Whole:
    days = {kind.name: kind.window_days for kind in KINDS}
    return truth["kind"].cast(pl.String).replace_strict(days, return_dtype=pl.Int64).to_numpy()


def _is_heard(truth: pl.DataFrame, asking: Asking, rng: np.random.Generator) -> Mask:
    """Whether each complication comes to light; what happens during the piercing itself always does."""
    visit, window = truth["visit"].to_numpy(), _windows(truth)
    masks = asking.reached_by_window(visit)
    reached = np.select([window == days for days in masks], list(masks.values()))
    serious = truth["severity"].to_numpy() >= SERIOUS
    chance = np.where(reached, HEARD_IF_REACHED, np.where(serious, HEARD_IF_SERIOUS, HEARD_IF_MILD))
    forced = (truth["immediate"] | truth["forced"]).to_numpy()
    return forced | (rng.random(len(truth)) < chance)


def _mislabel(truth: pl.DataFrame, mislabelled: tuple[Mislabelling, ...], rng: np.random.Generator) -> pl.Expr:
    """The complication each report names: the true one, but for some allergies taken for an infection."""
    named = pl.col("kind").cast(pl.String)
    luck = pl.Series(rng.random(len(truth)))
    for error in mislabelled:
        mistaken = (
            is_any("article_id", [error.article_id]) & (pl.col("kind") == "contact_allergy") & (luck < error.share)
        )
        named = pl.when(mistaken).then(pl.lit("minor_infection")).otherwise(named)
    return named.cast(pl.Enum(KIND_NAMES))


def hear(
    truth: pl.DataFrame, piercings: pl.DataFrame, asking: Asking, mislabelled: tuple[Mislabelling, ...], seed: int
) -> pl.DataFrame:
    """Add to each complication whether it is heard of and how it is told.

    Columns added: heard, complication (as told), is_asked (the branch learns it by asking), report (day, since 1970, of
    the first telling), ends (day it is over), report_minute, recorded_minute, and whom and what the report may name.
    """
    rng = stream(seed, "hearing")
    truth = truth.join(
        piercings.select("piercing", "hole_no", "ear", "site", "article_id", "minute"),
        on="piercing",
        how="left",
        maintain_order="left",
    )
    count, visit, onset = len(truth), truth["visit"].to_numpy(), truth["onset"].to_numpy()
    waits = np.ceil(rng.lognormal(np.log(_TELLS_AFTER_DAYS), _TELLS_SPREAD, count) - 0.5).astype(np.int64)
    tells = onset + np.minimum(waits, _NOT_LONGER_THAN)
    asked_later = asking.answered[visit] & (asking.days[visit] >= onset[:, None])
    asked_day = np.where(asked_later, asking.days[visit], _NEVER).min(axis=1)
    report = truth["day"].to_numpy() + np.minimum(tells, asked_day)
    own_minute = report * MINUTES_PER_DAY + whole_between(rng, _OPENS, _CLOSES, count)
    own_minute = np.maximum(own_minute, truth["minute"].to_numpy() + 30)
    severity = truth["severity"].to_numpy()
    clinician = rng.random(count) < _CLINICIAN_BY_SEVERITY[severity]
    culture = clinician & (rng.random(count) < _CULTURE)
    return truth.with_columns(
        heard=pl.Series(_is_heard(truth, asking, rng)),
        complication=_mislabel(truth, mislabelled, rng),
        is_asked=pl.Series(asked_day <= tells),
        report=pl.Series(report),
        ends=pl.Series(np.maximum(truth["day"].to_numpy() + onset + truth["lasts"].to_numpy(), report)),
        report_minute=pl.Series(own_minute),
        clinician_seen=pl.Series(clinician),
        certainty=pl.Series(np.where(culture, "confirmed", np.where(clinician, "probable", "possible"))),
        stud_removed=pl.Series(rng.random(count) < _STUD_OUT_BY_SEVERITY[severity]),
        referred_same_day=pl.Series((severity >= 3) & (rng.random(count) < _REFERRED)),
    )
