"""Packs that expire before they are used: what is there, how fast it goes, and in which order."""

from datetime import date, timedelta
from typing import Any

import polars as pl
import pytest

from pipeline.judge.packs import judge_packs

AS_OF = date(2031, 3, 1)
SCHEMA = {
    "lot_no": pl.String,
    "branch_id": pl.String,
    **dict.fromkeys(("received", "used", "spoiled"), pl.Int64),
    "counted_on": pl.Date,
    **dict.fromkeys(("on_hand", "received_since", "used_since"), pl.Int64),
    "is_on_record": pl.Boolean,
    "article_id": pl.String,
    "expires_on": pl.Date,
    "used_lately": pl.Int64,
}


def lot(name: str, days_left: int | None, **cells: Any) -> dict[str, Any]:
    """A lot of article A1 at branch B1, counted yesterday with 20 packs, none of which went lately."""
    told = {
        "lot_no": name,
        "branch_id": "B1",
        "counted_on": AS_OF - timedelta(days=1),
        "on_hand": 20,
        "received_since": 0,
        "used_since": 0,
        "is_on_record": True,
        "article_id": "A1",
        "expires_on": None if days_left is None else AS_OF + timedelta(days=days_left),
        "used_lately": 0,
    }
    return told | cells


def unused(*lots: dict[str, Any]) -> dict[str, float]:
    judged = judge_packs(pl.DataFrame(list(lots), schema=SCHEMA), AS_OF)
    return dict(judged.select("lot_no", "unused").iter_rows())


def test_what_is_used_up_in_time_is_not_listed_and_the_rest_of_a_lot_is() -> None:
    assert unused(lot("L1", 28, used_lately=40)) == {}  # 5 a week for 4 weeks
    assert unused(lot("L1", 28, used_lately=32)) == {"L1": 4}
    assert unused(lot("L1", 28)) == {"L1": 20}


def test_the_first_to_expire_goes_first_and_what_it_takes_is_not_there_for_the_next() -> None:
    two = (lot("LATER", 56, used_lately=32), lot("SOONER", 28))
    assert unused(*two) == {"SOONER": 4, "LATER": 4}  # 16 packs in the first four weeks, 16 in the next
    assert unused(lot("LATER", 56, used_lately=64), lot("SOONER", 28)) == {}


def test_articles_and_branches_have_shelves_of_their_own() -> None:
    busy = {"used_lately": 400}
    assert unused(lot("L1", 28), lot("L2", 28, article_id="A2", **busy), lot("L3", 28, branch_id="B2", **busy)) == {
        "L1": 20
    }


def test_a_pack_past_its_date_is_left_over_however_fast_they_go() -> None:
    assert unused(lot("OVER", -1, used_lately=400), lot("LAST DAY", 0, used_lately=400)) == {"OVER": 20, "LAST DAY": 20}


@pytest.mark.parametrize(
    ("cells", "there"),
    [
        ({"received_since": 10, "used_since": 4}, 26),
        ({"on_hand": None, "received": 50, "used": 8, "spoiled": 2}, 40),
        ({"on_hand": None, "received": 50, "used": 8}, 42),  # spoiled packs are not known: at most so many
    ],
)
def test_packs_are_those_counted_last_or_else_those_that_should_be_there(cells: dict[str, Any], there: int) -> None:
    assert unused(lot("L1", 28, **cells)) == {"L1": there}


@pytest.mark.parametrize(
    "cells",
    [
        {"branch_id": None},
        {"article_id": None},
        {"on_hand": 0},
        {"on_hand": None, "received": None, "used": 3},
        {"on_hand": None, "received": 50, "used": 8, "spoiled": 2, "is_on_record": False},
    ],
)
def test_of_what_is_not_known_nothing_is_said(cells: dict[str, Any]) -> None:
    assert unused(lot("L1", 28, **cells)) == {}
    assert unused(lot("L1", None)) == {}


def test_only_the_next_ninety_days_are_listed() -> None:
    assert unused(lot("L90", 90), lot("L91", 91)) == {"L90": 20}


def test_less_than_a_pack_left_over_is_none() -> None:
    assert unused(lot("L1", 28, used_lately=39)) == {}
