"""The export of piercings: what was written down of each hole, with the gaps and slips of daily work."""

import numpy as np
import polars as pl

from pipeline.simulate.chain import Chain
from pipeline.simulate.draws import MINUTES_PER_DAY, as_day, as_time, blank, choose, stream, whole_between
from pipeline.simulate.write import dated

# Shares of rows or, for what is asked once a visit, of visits; all assumptions.
_BLANK_PER_HOLE = {"lot_no": 0.025, "ear": 0.004, "pack_expiry": 0.03, "post_length_mm": 0.05}
_BLANK_PER_VISIT = {
    "age_years": 0.02,
    "aftercare_given": 0.02,
    "practitioner_id": 0.004,
    "consent": 0.003,
    "age_check": 0.04,
    "client_key": 0.004,
}
_LOT_MISREAD = 0.002  # a letter O for a zero
_PACK_EXPIRED = 0.0015
_MINOR_ALONE = 0.006
_CONSENT_WRITTEN_MISSING = 0.003
_ADULT_CHECKS = {"photo_id": 0.6, "self_declared": 0.37, "none": 0.03}
_MINOR_CHECKS = {"guardian_word": 0.7, "photo_id": 0.28, "none": 0.02}
_GUARDIAN_REMOTE = 0.06
_STATUS_WRITTEN = 0.7  # of the completed; an empty status means completed
_NO_RECORDED_AT = 0.02
_CORRECTED, _CORRECTED_AFTER_DAYS = 0.012, (1, 6)
_ADULT_AGE = 18


def _consent(visits: pl.DataFrame, rng: np.random.Generator) -> pl.DataFrame:
    """Whose consent and which proof of age was written down, by whether the client is of age."""
    count = len(visits)
    is_adult = visits["age_years"] >= _ADULT_AGE
    remote = pl.Series(rng.random(count) < _GUARDIAN_REMOTE)
    alone = pl.Series(rng.random(count) < _MINOR_ALONE)
    guardian = pl.when(remote).then(pl.lit("guardian_remote")).otherwise(pl.lit("guardian_present"))
    written = pl.Series(rng.random(count) >= _CONSENT_WRITTEN_MISSING)
    adult_check = choose(rng, count, _ADULT_CHECKS).cast(pl.String)
    return visits.with_columns(
        consent=pl.when(~written)
        .then(pl.lit("missing"))
        .when(is_adult | alone)
        .then(pl.lit("adult_self"))
        .otherwise(guardian),
        age_check=adult_check.zip_with(is_adult, choose(rng, count, _MINOR_CHECKS).cast(pl.String)),
    )


def _visit_record(visits: pl.DataFrame, chain: Chain, rng: np.random.Generator) -> pl.DataFrame:
    """What is written down once a visit, with its blanks and other spellings of a person's code."""
    count = len(visits)
    person = pl.col("practitioner_id").cast(pl.String)
    spelt = person
    for alias in chain.aliases:
        other = (person == alias.practitioner_id) & pl.Series(rng.random(count) < alias.share)
        spelt = pl.when(other).then(pl.lit(alias.code)).otherwise(spelt)
    record = _consent(visits, rng).with_columns(practitioner_id=spelt)
    record = record.with_columns(blank(name, rng.random(count) < share) for name, share in _BLANK_PER_VISIT.items())
    return record.select("visit", *_BLANK_PER_VISIT)


def _hole_slips(rows: pl.DataFrame, rng: np.random.Generator) -> pl.DataFrame:
    """Blanks, misread lots and expired packs, as they stay in the record of a hole."""
    count = len(rows)
    misread, expired = (pl.Series(rng.random(count) < share) for share in (_LOT_MISREAD, _PACK_EXPIRED))
    return rows.with_columns(
        lot_no=pl.when(misread).then(pl.col("lot_no").str.replace("0", "O")).otherwise("lot_no"),
        pack_expiry=pl.when(expired).then(as_day(pl.col("day") - 20)).otherwise("pack_expiry"),
    ).with_columns(blank(name, rng.random(count) < share) for name, share in _BLANK_PER_HOLE.items())


def _immediate_events(rows: pl.DataFrame, heard: pl.DataFrame, rng: np.random.Generator) -> pl.DataFrame:
    """What happened during the piercing itself; "none" is written down more often than left out."""
    events = heard.filter("immediate").select("piercing", immediate_event=pl.col("complication").cast(pl.String))
    says_none = pl.Series(rng.random(len(rows)) < 0.8)
    none = pl.when(says_none).then(pl.lit("none"))
    return rows.join(events, on="piercing", how="left", maintain_order="left").with_columns(
        immediate_event=pl.coalesce("immediate_event", none)
    )


def _versions(rows: pl.DataFrame, rng: np.random.Generator) -> pl.DataFrame:
    """Void rows and corrected rows as they were first written, then as they stand; others once."""
    count = len(rows)
    days = pl.Series(whole_between(rng, *_CORRECTED_AFTER_DAYS, count)) * MINUTES_PER_DAY
    slip = pl.Series(rng.integers(0, 3, count))
    is_void = pl.col("status") == "void"
    is_twice = is_void | pl.Series(rng.random(count) < _CORRECTED)
    said = pl.Series(rng.random(count) < _STATUS_WRITTEN)
    rows = rows.with_columns(
        is_twice=is_twice,
        days=days,
        slip=slip,
        recorded=pl.col("minute") + 15,
        status=pl.when((pl.col("status") != "completed") | said).then(pl.col("status").cast(pl.String)),
    )
    twice = rows.filter("is_twice")
    first = twice.with_columns(
        lot_no=pl.when(pl.col("slip") != 0).then("lot_no"),
        age_years=pl.when(pl.col("slip") == 1).then(pl.col("age_years") + 1).otherwise("age_years"),
        aftercare_given=pl.when(pl.col("slip") != 2).then("aftercare_given"),
        status=pl.when(pl.col("status") == "void").then(None).otherwise("status"),
    )
    later = twice.with_columns(pl.col("recorded") + pl.col("days"))
    written = pl.Series(rng.random(count) >= _NO_RECORDED_AT)
    once = rows.with_columns(recorded_at=pl.when(written).then(as_time("recorded"))).filter(~pl.col("is_twice"))
    again = pl.concat([first, later]).with_columns(recorded_at=as_time("recorded"))
    return pl.concat([once, again])


def export_procedures(
    visits: pl.DataFrame, piercings: pl.DataFrame, heard: pl.DataFrame, chain: Chain, last_day: int, seed: int
) -> pl.DataFrame:
    """The export of piercings, with the day each row was recorded (`day`), in order of that."""
    rng = stream(seed, "records")
    lengths = {article.article_id: article.post_length_mm for article in chain.articles}
    rows = piercings.with_columns(
        procedure_id=pl.format("{}-{}", "visit_id", "hole_no"),
        post_length_mm=pl.col("article_id").cast(pl.String).replace_strict(lengths).cast(pl.Decimal(6, 1)),
    ).drop(set(_BLANK_PER_VISIT) & set(piercings.columns))
    rows = rows.join(_visit_record(visits, chain, rng), on="visit", how="left", maintain_order="left")
    rows = _versions(_hole_slips(_immediate_events(rows, heard, rng), rng), rng)
    return dated(rows, "procedures", last_day)
