"""Booked revisits, and every state each booking passed through: booked, moved, kept, missed or called off."""

import numpy as np
import polars as pl

from pipeline.simulate.asking import CHECK, Asking
from pipeline.simulate.draws import MINUTES_PER_DAY, as_time, choose, stream, whole_between
from pipeline.simulate.write import dated

# Assumptions.
_PURPOSES = {"check": 0.6, "first_change": 0.4}
_MISSED = {"no_show": 0.48, "cancelled_late": 0.14, "cancelled_early": 0.2, "unknown": 0.18}
_MOVED, _MOVED_BY_DAYS = 0.10, (1, 3)
_REBOOKED, _REBOOKED_AFTER_DAYS = 0.3, (4, 14)
_PROBLEM_BOOKED = 0.25
_REMINDED = 0.7
_UNKNOWN_SET = 0.5  # of the unknown; the others keep the status booked
_OPENS, _CLOSES = 10 * 60, 17 * 60

_BOOKING = ("visit", "order", "purpose", "booked", "starts", "status", "status_minute")


def _status_minute(frame: pl.DataFrame, rng: np.random.Generator) -> pl.DataFrame:
    """When the last status of each booking was set: days ahead, an hour ahead, or once its time had come."""
    luck = pl.Series(rng.random(len(frame)))
    spare = (pl.col("starts") - pl.col("booked") - 2 * MINUTES_PER_DAY).clip(0)
    days_ahead = pl.col("starts") - 2 * MINUTES_PER_DAY - (luck * spare).floor().cast(pl.Int64)
    while_open = days_ahead // MINUTES_PER_DAY * MINUTES_PER_DAY + _OPENS + days_ahead % (_CLOSES - _OPENS)
    minute = (
        pl.when(pl.col("status").is_in(["moved", "cancelled_early"]))
        .then(while_open)
        .when(pl.col("status") == "cancelled_late")
        .then(pl.col("starts") - 30 - (luck * 60).floor().cast(pl.Int64))
        .otherwise(pl.col("starts") + 20)
    )
    return frame.with_columns(status_minute=pl.max_horizontal(minute, pl.col("booked") + 1))


def _checks(visits: pl.DataFrame, asking: Asking, rng: np.random.Generator) -> pl.DataFrame:
    """The booking of each check that ends as the asking says, and the earlier ones it was moved from."""
    rows = np.flatnonzero(asking.asked[:, CHECK])
    count = len(rows)
    kept = asking.answered[rows, CHECK]
    day = visits["day"].to_numpy()[rows] + asking.days[rows, CHECK]
    minute = whole_between(rng, _OPENS, _CLOSES // 15 * 15, count) // 15 * 15
    status = choose(rng, count, _MISSED).cast(pl.String).zip_with(pl.Series(~kept), pl.Series(["attended"] * count))
    final = pl.DataFrame(
        {
            "visit": rows,
            "purpose": choose(rng, count, _PURPOSES).cast(pl.String),
            "booked": visits["minute"].to_numpy()[rows] + 10,
            "starts": day * MINUTES_PER_DAY + minute,
            "status": status,
        }
    ).with_columns(order=pl.lit(1, pl.Int64))
    final = final.with_columns(has_moved=pl.Series(rng.random(count) < _MOVED))
    by = pl.Series(whole_between(rng, *_MOVED_BY_DAYS, count)) * MINUTES_PER_DAY
    moved = final.with_columns(pl.col("starts") - by, order=pl.lit(0, pl.Int64), status=pl.lit("moved"))
    moved = _status_minute(moved, rng)
    booked_again = pl.when("has_moved").then(moved["status_minute"]).otherwise("booked")
    final = _status_minute(final.with_columns(booked=booked_again), rng)
    return pl.concat([moved.filter("has_moved").select(_BOOKING), final.select(_BOOKING)])


def _rebooked(checks: pl.DataFrame, is_passive: pl.Series, rng: np.random.Generator) -> pl.DataFrame:
    """A second booking for some of those who did not come, who do not come to it either."""
    again = checks.filter((pl.col("status") == "no_show") & ~is_passive.gather(checks["visit"]))
    again = again.filter(pl.Series(rng.random(len(again)) < _REBOOKED))
    days = pl.Series(whole_between(rng, *_REBOOKED_AFTER_DAYS, len(again)))
    return _status_minute(
        again.with_columns(
            booked=pl.col("starts") + MINUTES_PER_DAY,
            starts=pl.col("starts") + days * MINUTES_PER_DAY,
            order=pl.lit(2, pl.Int64),
            status=choose(rng, len(again), {"no_show": 0.5, "cancelled_early": 0.5}).cast(pl.String),
        ),
        rng,
    ).select(_BOOKING)


def _problems(told: pl.DataFrame, rng: np.random.Generator) -> pl.DataFrame:
    """A booking, soon after, for some of the clients who told of a complication."""
    told = told.group_by("visit").agg(pl.col("report_minute").min()).sort("visit")
    told = told.filter(pl.Series(rng.random(len(told)) < _PROBLEM_BOOKED))
    later = pl.Series(whole_between(rng, 1, 3, len(told))) * MINUTES_PER_DAY
    return _status_minute(
        told.with_columns(
            order=pl.lit(3, pl.Int64),
            purpose=pl.lit("problem"),
            booked=pl.col("report_minute") + 5,
            starts=(pl.col("report_minute") // 30 * 30) + later,
            status=choose(rng, len(told), {"attended": 0.85, "no_show": 0.15}).cast(pl.String),
        ),
        rng,
    ).select(_BOOKING)


def _versions(bookings: pl.DataFrame, rng: np.random.Generator) -> pl.DataFrame:
    """Each booking as it was first written down, and again when its status was set."""
    first = bookings.with_columns(
        status=pl.lit("booked"), status_minute=pl.lit(None, pl.Int64), recorded=pl.col("booked")
    )
    is_set = (pl.col("status") != "unknown") | pl.Series(rng.random(len(bookings)) < _UNKNOWN_SET)
    last = bookings.filter(is_set).with_columns(recorded=pl.col("status_minute"))
    return pl.concat([first, last])


def export_revisits(
    visits: pl.DataFrame, asking: Asking, heard: pl.DataFrame, last_day: int, seed: int
) -> pl.DataFrame:
    """The export of booked revisits, with the day each row was recorded (`day`), in order of that.

    Some of the clients whose complications were `heard` of book to have them seen.
    """
    rng = stream(seed, "bookings")
    checks = _checks(visits, asking, rng)
    again = _rebooked(checks, visits["follow_up_policy"] == "passive", rng)
    bookings = pl.concat([checks, again, _problems(heard.filter(pl.col("heard") & ~pl.col("immediate")), rng)]).sort(
        "visit", "order"
    )
    reminded = pl.Series(rng.random(len(bookings)) < _REMINDED) & (pl.col("status") != "cancelled_early")
    bookings = bookings.with_columns(
        reminder_sent=reminded & (pl.col("status") != "moved"),
        number=pl.int_range(1, pl.len() + 1).over("visit"),
        in_thread=pl.len().over("visit", pl.col("purpose") == "problem") > 1,
    ).join(visits.select("visit", "branch_id", "visit_id", "client_key"), on="visit", how="left", maintain_order="left")
    tail = pl.col("visit_id").str.tail(6)
    rows = bookings.with_columns(
        revisit_id=pl.format("{}-R{}-{}", "branch_id", tail, "number"),
        thread_id=pl.when("in_thread").then(pl.format("{}-T{}", "branch_id", tail)),
    )
    versions = _versions(rows, rng).with_columns(
        booked_at=as_time("booked"),
        starts_at=as_time("starts"),
        status_at=as_time("status_minute"),
        recorded_at=as_time("recorded"),
        reminder_sent=pl.when(pl.col("status") != "booked").then("reminder_sent"),
    )
    return dated(versions, "revisits", last_day)
