"""The export of contacts: each time a branch asked after a visit, and each complication that a client told unasked."""

import numpy as np
import polars as pl

from pipeline.contract.vocabulary import ASKING_CHANNELS
from pipeline.simulate.asking import CHECK, FIRST, LATE, SECOND, Asking
from pipeline.simulate.draws import MINUTES_PER_DAY, Mask, as_day, as_time, blank, choose, stream, whole_between
from pipeline.simulate.hearing import SERIOUS
from pipeline.simulate.write import dated

# Assumptions.
_MILD_CHANNELS = {"walk_in": 0.45, "phone": 0.25, "message": 0.22, "review": 0.08}
_SERIOUS_CHANNELS = {"walk_in": 0.35, "phone": 0.3, "clinician_letter": 0.25, "review": 0.1}
_OCCASION_CHANNELS = {FIRST: "message", SECOND: "phone", CHECK: "revisit", LATE: "message"}
_CHECK_NOTED = 0.6  # of checks at which all was well
_DECLINED = 0.02  # of those who do not say how it is
_RECORDED_LATER, _LATER_DAYS = 0.2, (1, 4)
_OPENS, _CLOSES = 10 * 60, 18 * 60

_ONSET_NOT_KNOWN, _NO_RECORDED_AT = 0.04, 0.03
_NAMES = {"procedure_id": 0.4, "ear": 0.55, "site": 0.45, "certainty": 0.95, "severity": 0.95}
_SAYS_WHO_ASKED = 0.85
_WITHOUT_VISIT = 0.08
_CORRECTED, _CORRECTED_AFTER_DAYS = 0.08, (3, 20)

_TOLD = (
    "complication",
    "kind_day",
    "severity",
    "certainty",
    "ear",
    "site",
    "hole_no",
    "clinician_seen",
    "stud_removed",
    "referred_same_day",
    "ends",
)


def _told_when_asked(told: pl.DataFrame, asking: Asking) -> pl.DataFrame:
    """Every answered occasion at which a complication heard of had begun and was not over: visit, occasion, and it."""
    visit, day = told["visit"].to_numpy(), told["day"].to_numpy()
    parts = []
    for occasion in range(asking.days.shape[1]):
        at = day + asking.days[visit, occasion]
        during = (at >= told["report"].to_numpy()) & (at <= told["ends"].to_numpy())
        rows = np.flatnonzero(asking.answered[visit, occasion] & during)
        parts.append(told[rows].select("visit", *_TOLD, occasion=pl.lit(occasion, pl.Int64)))
    return pl.concat(parts)


def _asked_contacts(visits: pl.DataFrame, asking: Asking, told: pl.DataFrame, rng: np.random.Generator) -> pl.DataFrame:
    """A row for each time a branch asked; more where it was told of several complications."""
    visit, occasion = np.nonzero(asking.asked)
    answered = asking.answered[visit, occasion]
    day = visits["day"].to_numpy()[visit] + asking.days[visit, occasion]
    contacts = pl.DataFrame(
        {
            "visit": visit,
            "follow_up_policy": visits["follow_up_policy"].gather(visit),
            "occasion": occasion,
            "answered": answered,
            "minute": day * MINUTES_PER_DAY + whole_between(rng, _OPENS, _CLOSES, len(visit)),
            "noted": rng.random(len(visit)) < _CHECK_NOTED,
            "declined": rng.random(len(visit)) < _DECLINED,
        }
    ).join(_told_when_asked(told, asking), on=["visit", "occasion"], how="left", maintain_order="left_right")
    is_check = pl.col("occasion") == CHECK
    only_messages = (pl.col("follow_up_policy") == "message") & ~is_check
    has_told = pl.col("complication").is_not_null()
    silent = pl.when("declined").then(pl.lit("declined")).otherwise(pl.lit("no_answer"))
    said = pl.when(has_told).then(pl.lit("complication")).otherwise(pl.lit("well"))
    return contacts.filter(~is_check | (pl.col("answered") & (has_told | pl.col("noted")))).select(
        "visit",
        "minute",
        *_TOLD,
        outcome=pl.when("answered").then(said).otherwise(silent),
        channel=pl.when(only_messages)
        .then(pl.lit("message"))
        .otherwise(pl.col("occasion").replace_strict(_OCCASION_CHANNELS, return_dtype=pl.String)),
        initiated_by=pl.lit("branch"),
        recorded=pl.col("minute") + 5,
    )


def _own_reports(told: pl.DataFrame, rng: np.random.Generator) -> pl.DataFrame:
    """A row for each complication that the client told unasked."""
    own = told.filter(~pl.col("is_asked"))
    count = len(own)
    serious = own["severity"] >= SERIOUS
    channel = choose(rng, count, _SERIOUS_CHANNELS).cast(pl.String)
    channel = channel.zip_with(serious, choose(rng, count, _MILD_CHANNELS).cast(pl.String))
    is_later = rng.random(count) < _RECORDED_LATER
    later = np.where(is_later, whole_between(rng, *_LATER_DAYS, count), 0) * MINUTES_PER_DAY
    return own.select(
        "visit",
        *_TOLD,
        minute=pl.col("report_minute"),
        outcome=pl.lit("complication"),
        channel=channel,
        initiated_by=pl.lit("client"),
        recorded=pl.col("report_minute") + 10 + pl.Series(later),
    )


def _end_if_known() -> pl.Expr:
    """The day a complication was over, if it was when the row was written."""
    return pl.when(pl.col("ends") <= pl.col("recorded") // MINUTES_PER_DAY).then(as_day("ends"))


def _forget_some(rows: pl.DataFrame, rng: np.random.Generator) -> pl.DataFrame:
    """Leave out what is often not written down; who asked is left out only where the channel tells it anyway."""

    def missing(share: float) -> Mask:
        return rng.random(len(rows)) < share

    channel_asks = pl.col("channel").is_in(ASKING_CHANNELS)
    told_by_channel = (pl.col("initiated_by") == "branch") == channel_asks
    no_visit = missing(_WITHOUT_VISIT)
    says_who = pl.Series(~missing(1 - _SAYS_WHO_ASKED))
    return rows.with_columns(
        *(blank(name, missing(1 - share)) for name, share in _NAMES.items()),
        blank("onset_on", missing(_ONSET_NOT_KNOWN)),
        blank("visit_id", no_visit),
        pl.when(says_who | ~told_by_channel).then("initiated_by").alias("initiated_by"),
        resolved_on=_end_if_known(),
    )


def _with_corrections(rows: pl.DataFrame, rng: np.random.Generator) -> pl.DataFrame:
    """Some reports written again when a clinician's word or the end of it is known; other rows lack a recorded_at."""
    days = pl.Series(whole_between(rng, *_CORRECTED_AFTER_DAYS, len(rows)))
    chosen = pl.Series(rng.random(len(rows)) < _CORRECTED) & (pl.col("outcome") == "complication")
    later = rows.with_columns(pl.col("recorded") + days * MINUTES_PER_DAY).filter(chosen)
    later = later.with_columns(
        clinician_seen=pl.lit(value=True),
        certainty=pl.when(pl.col("certainty") == "confirmed").then("certainty").otherwise(pl.lit("probable")),
        resolved_on=_end_if_known(),
    )
    same_day = pl.col("recorded") // MINUTES_PER_DAY == pl.col("minute") // MINUTES_PER_DAY
    unwritten = pl.Series(rng.random(len(rows)) < _NO_RECORDED_AT) & same_day & ~chosen
    first = rows.with_columns(recorded_at=pl.when(~unwritten).then(as_time("recorded")))
    return pl.concat([first, later.with_columns(recorded_at=as_time("recorded"))])


def export_follow_ups(
    visits: pl.DataFrame, heard: pl.DataFrame, asking: Asking, last_day: int, seed: int
) -> pl.DataFrame:
    """The export of contacts, with the day each row was recorded (`day`), in order of that."""
    rng = stream(seed, "contacts")
    told = heard.filter(pl.col("heard") & ~pl.col("immediate")).with_columns(kind_day=pl.col("day") + pl.col("onset"))
    rows = pl.concat([_asked_contacts(visits, asking, told, rng), _own_reports(told, rng)], how="diagonal")
    rows = rows.join(
        visits.select("visit", "branch_id", "visit_id", "client_key"), on="visit", how="left", maintain_order="left"
    )
    rows = rows.sort("branch_id", "minute", "visit", "complication").with_columns(
        follow_up_id=pl.format(
            "{}-F{}", "branch_id", pl.int_range(1, pl.len() + 1).over("branch_id").cast(pl.String).str.zfill(7)
        ),
        procedure_id=pl.format("{}-{}", "visit_id", "hole_no"),
        contacted_at=as_time("minute"),
        onset_on=as_day("kind_day"),
    )
    return dated(_with_corrections(_forget_some(rows, rng), rng), "follow_ups", last_day)
