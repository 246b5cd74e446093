"""Packs of a lot by branch: received, used, spoiled and counted, and what of it is not known."""

import pytest

from support.texttables import check_file

STOCK = "lot_no | branch_id | received | used | spoiled | counted_on | on_hand | received_since | used_since"


def _stock(gives: str, **tables: str) -> None:
    check_file("lot_stock", gives=f"{STOCK}\n{gives}", **tables)


def _used(*rows: tuple[str, str, str, str]) -> str:
    lines = [
        f"{at} | {name} | {branch} | L1 | {status} | {moment} | {moment[:10]} | {moment[:10]}"
        for at, (name, branch, status, moment) in enumerate(rows)
    ]
    head = "seq | procedure_id | branch_id | lot_no | status | performed_at | performed_on | recorded_on"
    return "\n".join([head, *lines])


def test_packs_are_used_by_piercings_completed_and_abandoned() -> None:
    _stock(
        "L1 | B1 | 40 | 2 | | | | |",
        stg_lots="lot_no | branch_id | received_on | quantity\nL1 | B1 | 2031-01-01 | 40",
        stg_procedures=_used(
            ("P1", "B1", "completed", "2031-01-10 10:00:00"),
            ("P2", "B1", "abandoned", "2031-01-10 10:00:00"),
            ("P3", "B1", "void", "2031-01-10 10:00:00"),
            ("P4", "B1", "completed", "2031-02-15 10:00:00"),  # recorded after the day
        ),
    )


def test_a_piercing_corrected_away_gives_its_pack_back() -> None:
    _stock(
        "L1 | B1 | 40 | 0 | | | | |",
        stg_lots="lot_no | branch_id | received_on | quantity\nL1 | B1 | 2031-01-01 | 40",
        stg_procedures=_used(
            ("P1", "B1", "completed", "2031-01-10 10:00:00"), ("P1", "B1", "void", "2031-01-10 10:00:00")
        ),
    )


@pytest.mark.parametrize(
    ("lots", "received"),
    [
        ("L1 | B1 | 2031-01-01 | 40\nL1 | B1 | 2031-02-14 | 10", "50"),
        ("L1 | B1 | 2031-01-01 | 40\nL1 | B1 | 2031-02-15 | 10", "40"),  # to come
        ("L1 | B1 | 2031-01-01 | 40\nL1 | B1 | | 10", "50"),
        ("L1 | B1 | 2031-01-01 | 40\nL1 | B1 | 2031-02-01 |", ""),  # one does not say how many
    ],
)
def test_packs_received(lots: str, received: str) -> None:
    _stock(f"L1 | B1 | {received} | 0 | | | | |", stg_lots=f"lot_no | branch_id | received_on | quantity\n{lots}")


def test_a_count_with_what_came_and_went_since() -> None:
    _stock(
        "L1 | B1 | 60 | 3 | 3 | 2031-01-20 | 30 | 20 | 2",
        stg_lots="lot_no | branch_id | received_on | quantity\nL1 | B1 | 2031-01-20 | 40\nL1 | B1 | 2031-01-21 | 20",
        stg_procedures=_used(
            ("P1", "B1", "completed", "2031-01-20 18:00:00"),
            ("P2", "B1", "completed", "2031-01-20 18:00:01"),
            ("P3", "B1", "completed", "2031-02-01 10:00:00"),
        ),
        stg_stock_counts="""
        branch_id | lot_no | counted_at          | counted_on | on_hand | spoiled
        B1        | L1     | 2031-01-20 18:00:00 | 2031-01-20 | 30      | 1
        B1        | L1     | 2031-01-10 18:00:00 | 2031-01-10 | 35      | 2
        B1        | L1     | 2031-02-15 18:00:00 | 2031-02-15 | 5       | 9
        """,
    )


def test_what_a_count_does_not_say_is_not_known() -> None:
    _stock(
        "L1 | B1 | | 0 | | 2031-01-20 | | 0 | 0",
        stg_stock_counts="""
        branch_id | lot_no | counted_at          | counted_on | on_hand | spoiled
        B1        | L1     | 2031-01-10 18:00:00 | 2031-01-10 | 35      | 2
        B1        | L1     | 2031-01-20 18:00:00 | 2031-01-20 |         |
        """,
    )


def test_each_branch_has_its_own_packs_and_lots_do_not_mix() -> None:
    used = _used(("P1", "B1", "completed", "2031-01-10 10:00:00"), ("P2", "B2", "completed", "2031-01-10 10:00:00"))
    _stock(
        "L1 | B1 | 40 | 1 | 1 | 2031-01-20 | 38 | 0 | 0\nL1 | B2 | | 1 | | | | |\nL2 | B1 | 7 | 0 | | | | |",
        stg_lots="lot_no | branch_id | received_on | quantity\nL1 | B1 | 2031-01-01 | 40\nL2 | B1 | 2031-01-01 | 7",
        stg_procedures=used,
        stg_stock_counts="""
        branch_id | lot_no | counted_at          | counted_on | on_hand | spoiled
        B1        | L1     | 2031-01-20 18:00:00 | 2031-01-20 | 38      | 1
        """,
    )


def test_what_the_whole_chain_received_goes_to_branches_without_a_delivery_of_their_own() -> None:
    _stock(
        """L1 | B1 | 40 | 1 | | | | |
        L1 | B2 | | 2 | 1 | 2031-01-20 | 5 | 0 | 0
        L1 | B3 | | 0 | 2 | 2031-01-20 | 6 | 0 | 0
        L1 | | 100 | 2 | 3 | | | |""",
        stg_lots="lot_no | branch_id | received_on | quantity\nL1 | B1 | 2031-01-01 | 40\nL1 | | 2031-01-01 | 100",
        stg_procedures=_used(
            ("P1", "B1", "completed", "2031-01-10 10:00:00"),
            ("P2", "B2", "completed", "2031-01-10 10:00:00"),
            ("P3", "B2", "completed", "2031-01-11 10:00:00"),
        ),
        stg_stock_counts="""
        branch_id | lot_no | counted_at          | counted_on | on_hand | spoiled
        B2        | L1     | 2031-01-20 18:00:00 | 2031-01-20 | 5       | 1
        B3        | L1     | 2031-01-20 18:00:00 | 2031-01-20 | 6       | 2
        """,
    )


def test_the_chain_s_spoiled_packs_are_known_only_where_all_its_branches_say() -> None:
    _stock(
        "L1 | B2 | | 1 | | | | |\nL1 | B3 | | 0 | 2 | 2031-01-20 | 6 | 0 | 0\nL1 | | 100 | 1 | | | | |",
        stg_lots="lot_no | branch_id | received_on | quantity\nL1 | | 2031-01-01 | 100",
        stg_procedures=_used(("P2", "B2", "completed", "2031-01-10 10:00:00")),
        stg_stock_counts="""
        branch_id | lot_no | counted_at          | counted_on | on_hand | spoiled
        B3        | L1     | 2031-01-20 18:00:00 | 2031-01-20 | 6       | 2
        """,
    )


@pytest.mark.parametrize(
    ("lots", "ageing", "is_on_record"),
    [
        ("L1 | B1 | 2031-01-01 | 40", "", "true"),
        ("L1 | B1 | 2031-01-01 | 40", "2030-12-30 | 2031-01-27", "true"),
        ("L1 | B1 | 2030-12-29 | 40", "2030-12-30 | 2031-01-27", "false"),
        ("L1 | B1 | | 40", "2030-12-30 | 2031-01-27", "false"),
        ("L1 | B1 | | 40", "", "true"),
        ("L1 | | 2030-12-29 | 40", "2030-12-30 | 2031-01-27", "false"),
    ],
)
def test_a_lot_that_came_before_records_aged_out_is_not_wholly_on_record(
    lots: str, ageing: str, is_on_record: str
) -> None:
    check_file(
        "lot_stock",
        stg_lots=f"lot_no | branch_id | received_on | quantity\n{lots}",
        ageing=f"cutoff | weeks_before\n{ageing}",
        gives=f"lot_no | is_delivered | is_on_record\nL1 | true | {is_on_record}",
    )


def test_what_a_lot_holds_until_when_and_how_many_went_in_eight_weeks() -> None:
    check_file(
        "lot_stock",
        stg_lots="""
        lot_no | branch_id | received_on | article_id | expires_on
        L1     | B1        | 2031-01-01  | A1         | 2033-02-01
        L1     | B2        | 2031-01-01  |            | 2033-01-01
        L2     | B1        | 2031-01-01  | A1         |
        L2     | B1        | 2031-01-02  | A2         |
        """,
        stg_procedures=_used(
            ("P1", "B1", "completed", "2030-12-20 10:00:00"),  # 56 days before the as-of date
            ("P2", "B1", "completed", "2030-12-21 10:00:00"),
            ("P3", "B1", "completed", "2031-02-14 10:00:00"),
        ),
        gives="""
        lot_no | branch_id | used | article_id | expires_on | used_lately
        L1     | B1        | 3    | A1         | 2033-01-01 | 2
        L1     | B2        | 0    | A1         | 2033-01-01 | 0
        L2     | B1        | 0    |            |            | 0
        """,
    )
