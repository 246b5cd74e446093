"""Duplicates, versions and what counts: CONTRACT sections 1 and 4, rule by rule."""

from datetime import timedelta

from pipeline.store.sqlfiles import sql_files
from support.exports import NOW, Nights, csv_text, export, row

TOMORROW = NOW + timedelta(days=1)


def sale(amount: str = "1", recorded_at: str = "", **changes: str) -> dict[str, str]:
    """A version of one receipt line."""
    return row("sales", net_amount=amount, recorded_at=recorded_at, **changes)


def file(*rows: dict[str, str]) -> str:
    return csv_text(rows)


def counting(nights: Nights) -> float:
    """The amount of receipt S1's version that counts: recorded last, and of equal ones taken in last."""
    for name in ("stg_branches", "stg_sales"):
        nights.con.execute(f"create or replace temp table {name} as {sql_files()[name].query}", {"timezone": "UTC"})
    ((amount,),) = nights.con.execute(
        "select net_amount from stg_sales where sale_id = 'S1' order by recorded_at desc, seq desc limit 1"
    ).fetchall()
    return float(amount)


MAY = "2024-05-10T10:00"
JUNE = "2024-06-10T10:00"


def test_a_row_equal_to_the_version_that_counts_is_a_duplicate(nights: Nights) -> None:
    nights.take({"sales_1.csv": file(sale("1", MAY)), "sales_2.csv": file(sale("1", MAY), sale(sale_id="S2"))})
    assert nights.counts("sales_2.csv") == (2, 1, 0, 1, 0)


def test_a_row_equal_to_an_earlier_row_of_its_file_is_a_duplicate(nights: Nights) -> None:
    nights.take({"sales.csv": file(sale("1"), sale("2"), sale("1"), sale("2"))})
    assert nights.counts("sales.csv") == (4, 1, 0, 2, 1)
    assert nights.values("sales", "line") == [(2,), (3,)]
    assert counting(nights) == 2


def test_rows_are_equal_by_their_values_as_read_and_not_by_their_text(nights: Nights) -> None:
    one = sale("1", "2024-05-10T10:00:00Z", line_type="gift", batch_no="a1", client_key="x")
    other = sale(" 1.00 ", "2024-05-10T11:00+01", line_type=" GIFT", batch_no=" A1 ", client_key=" x ", line_no="01.0")
    nights.take({"sales.csv": file(one, other, one | {"client_key": "X"})})
    assert nights.counts("sales.csv") == (3, 1, 0, 1, 1)


def test_a_column_that_is_missing_equals_one_that_is_empty(nights: Nights) -> None:
    nights.take({"sales_1.csv": file(row("sales")), "sales_2.csv": file(sale("9.50", batch_no="", client_key=" "))})
    assert nights.counts("sales_2.csv") == (1, 0, 0, 1, 0)


def test_the_latest_recorded_at_counts_and_earlier_versions_are_kept(nights: Nights) -> None:
    nights.take({"sales_1.csv": file(sale("1", MAY)), "sales_2.csv": file(sale("2", JUNE))})
    assert nights.counts("sales_2.csv") == (1, 1, 0, 0, 0)
    assert nights.values("sales", "net_amount") == [(1,), (2,)]
    assert counting(nights) == 2


def test_an_older_version_that_arrives_late_is_superseded_and_kept(nights: Nights) -> None:
    nights.take({"sales_1.csv": file(sale("2", JUNE))})
    nights.take({"sales_2.csv": file(sale("1", MAY))}, now=TOMORROW)
    assert nights.counts("sales_2.csv") == (1, 0, 0, 0, 1)
    assert nights.values("sales", "net_amount") == [(2,), (1,)]
    assert counting(nights) == 2


def test_an_older_version_above_or_below_a_newer_one_of_its_file_is_superseded(nights: Nights) -> None:
    nights.take({"sales_1.csv": file(sale("1", MAY), sale("2", JUNE))})
    nights.take({"sales_2.csv": file(sale("4", JUNE, sale_id="S2"), sale("3", MAY, sale_id="S2"))})
    assert [nights.counts(f"sales_{at}.csv") for at in (1, 2)] == [(2, 1, 0, 0, 1)] * 2


def test_of_versions_recorded_at_the_same_time_the_one_taken_in_later_counts(nights: Nights) -> None:
    nights.take({"sales_1.csv": file(sale("1", MAY), sale("2", MAY)), "sales_2.csv": file(sale("3", MAY))})
    assert nights.counts("sales_1.csv") == (2, 1, 0, 0, 1)
    assert nights.counts("sales_2.csv") == (1, 1, 0, 0, 0)
    assert counting(nights) == 3
    nights.take({"sales_0.csv": file(sale("0", MAY))}, now=TOMORROW)
    assert counting(nights) == 0


def test_of_versions_without_recorded_at_the_one_taken_in_later_counts(nights: Nights) -> None:
    nights.take({"sales_2.csv": file(sale("2")), "sales_1.csv": file(sale("1"))})
    assert [nights.counts(f"sales_{at}.csv") for at in (1, 2)] == [(1, 1, 0, 0, 0)] * 2
    assert counting(nights) == 2


def test_a_row_without_recorded_at_counts_as_recorded_at_its_event(nights: Nights) -> None:
    later_event = sale("2", sold_at="2024-05-12T10:00")
    nights.take({"sales_1.csv": file(later_event, sale("1", "2024-05-11T10:00"))})
    assert nights.counts("sales_1.csv") == (2, 1, 0, 0, 1)
    assert counting(nights) == 2


def test_a_revisit_without_recorded_at_counts_as_recorded_when_its_status_was_set_or_it_was_booked(
    nights: Nights,
) -> None:
    booked = row("revisits", status="booked", booked_at="2024-05-03T10:00", starts_at="2024-06-20T10:00")
    attended = booked | {"status": "attended", "status_at": "2024-06-20T10:05"}
    moved = booked | {"status": "moved", "booked_at": "", "status_at": "2024-06-19T10:00"}
    nights.take({"revisits_1.csv": csv_text([attended]), "revisits_2.csv": csv_text([booked, moved])})
    assert nights.counts("revisits_2.csv") == (2, 0, 0, 0, 2)
    nights.take({"revisits_3.csv": csv_text([booked | {"booked_at": "", "starts_at": "2024-06-21T10:00"}])})
    assert nights.counts("revisits_3.csv") == (1, 1, 0, 0, 0)


def test_a_wall_time_orders_versions_in_its_branch_s_zone(nights: Nights) -> None:
    nights.take(
        {
            "branches.csv": export("branches", {"timezone": "Pacific/Auckland"}),  # 12 hours ahead in May
            "sales_1.csv": file(sale("1", "2024-05-10T10:00")),
            "sales_2.csv": file(sale("2", "2024-05-09T22:30Z")),
            "sales_3.csv": file(sale("3", "2024-05-10T10:15")),
        }
    )
    assert [nights.counts(f"sales_{at}.csv")[1] for at in (1, 2, 3)] == [1, 1, 0]
    assert counting(nights) == 2


def test_a_version_that_comes_back_counts_again_where_no_time_says_otherwise(nights: Nights) -> None:
    a, b = sale("1"), sale("2")
    nights.take({"sales_1.csv": file(a), "sales_2.csv": file(b), "sales_3.csv": file(a, sale(sale_id="S9"))})
    assert [nights.counts(f"sales_{at}.csv") for at in (2, 3)] == [(1, 1, 0, 0, 0), (2, 2, 0, 0, 0)]
    assert counting(nights) == 1


def test_a_version_that_comes_back_is_superseded_where_a_newer_one_is_known(nights: Nights) -> None:
    a, b = sale("1", MAY), sale("2", JUNE)
    nights.take({"sales_1.csv": file(a), "sales_2.csv": file(b), "sales_3.csv": file(a, sale(sale_id="S9"))})
    assert nights.counts("sales_3.csv") == (2, 1, 0, 0, 1)
    assert counting(nights) == 2


def test_the_same_bytes_bring_nothing_back_even_where_another_version_came_between(nights: Nights) -> None:
    a, b = file(sale("1")), file(sale("2"))
    nights.take({"sales_1.csv": a, "sales_2.csv": b, "sales_3.csv": a})
    assert nights.counts("sales_3.csv") == (1, 0, 0, 1, 0)
    nights.take({"sales_4.csv": a}, now=TOMORROW)
    assert nights.counts("sales_4.csv") == (1, 0, 0, 1, 0)
    assert counting(nights) == 2


def test_the_same_bytes_under_a_new_name_are_duplicates_but_for_what_stands_rejected(nights: Nights) -> None:
    text = file(sale("1", MAY), sale("2", JUNE), sale("much", sale_id="S2"), sale("3", sale_id="S3"))
    nights.take({"sales_1.csv": text, "sales_2.csv": text})
    assert nights.counts("sales_1.csv") == (4, 2, 1, 0, 1)
    assert nights.counts("sales_2.csv") == (4, 0, 1, 3, 0)
    nights.take({"sales_3.csv": text}, now=TOMORROW)
    assert nights.counts("sales_3.csv") == (4, 0, 1, 3, 0)
    assert nights.refused("sales_1.csv") == nights.refused("sales_2.csv") == nights.refused("sales_3.csv")
    assert len(nights.values("sales", "seq")) == 3


def test_a_known_file_that_comes_again_as_it_was_is_no_news(nights: Nights) -> None:
    nights.take({"sales.csv": file(sale("1"), sale("much", sale_id="S2"))})
    before = nights.con.execute("from file").fetchall()
    assert not nights.take(now=TOMORROW).is_something
    assert nights.con.execute("from file").fetchall() == before


def test_a_name_that_brings_other_bytes_is_another_file(nights: Nights) -> None:
    nights.take({"sales.csv": file(sale("1"))})
    nights.take({"sales.csv": file(sale("2"))}, now=TOMORROW)
    assert nights.con.execute("select path, accepted from file").fetchall() == [("sales.csv", 1), ("sales.csv", 1)]
    assert counting(nights) == 2


def test_a_follow_up_s_versions_are_in_order_by_the_clock_of_its_visit_s_branch(nights: Nights) -> None:
    kathmandu = {"timezone": "Asia/Kathmandu"}
    nights.take({"branches.csv": export("branches", kathmandu), "procedures.csv": export("procedures", {})})
    wall = row("follow_ups", outcome="well", recorded_at="2024-05-21T10:00")  # 04:15 by UTC
    by_utc = row("follow_ups", outcome="complication", recorded_at="2024-05-21T05:00Z")
    nights.take({"follow_ups_1.csv": file(by_utc)})
    nights.take({"follow_ups_2.csv": file(wall)})
    assert nights.counts("follow_ups_2.csv") == (1, 0, 0, 0, 1)
    nights.take({"follow_ups_3.csv": file(wall | {"recorded_at": "2024-05-21T11:00"})})  # 05:15
    assert nights.counts("follow_ups_3.csv") == (1, 1, 0, 0, 0)


FUTURE = sale("5", sold_at="2024-07-02T09:00", sale_id="S2")


def test_a_row_refused_for_its_time_is_taken_in_once_the_clock_has_passed_it(nights: Nights) -> None:
    nights.take({"sales.csv": file(sale("1"), FUTURE)})
    assert nights.refused("sales.csv") == [(3, "sold_at", "time.future")]
    counts = nights.counts("sales.csv")
    taken = nights.take(now=TOMORROW)
    assert (taken.n_rechecked, taken.is_something, taken.loads) == (1, True, [])
    assert nights.refused("sales.csv") == []
    assert nights.counts("sales.csv") == counts == (2, 1, 1, 0, 0)
    assert nights.values("sales", "sale_id", "line") == [("S1", 2), ("S2", 3)]
    assert not nights.take(now=TOMORROW).is_something


def test_a_row_refused_for_its_time_is_taken_in_once_its_branch_has_a_zone(nights: Nights) -> None:
    east = sale("5", sold_at="2024-07-01T20:00", sale_id="S2")
    nights.take({"sales.csv": file(east)})
    assert nights.refused("sales.csv") == [(2, "sold_at", "time.future")]
    nights.take({"branches.csv": export("branches", {"timezone": "Pacific/Auckland"})})
    assert nights.values("sales", "sale_id") == [("S2",)]


def test_a_row_refused_for_its_time_is_taken_in_under_other_settings(nights: Nights) -> None:
    nights.take({"sales.csv": file(sale("5", sold_at="2024-07-01T20:00"))})
    taken = nights.take(zone="Pacific/Auckland")
    assert taken.n_rechecked == 1


def test_a_row_still_refused_stands_with_the_rules_it_breaks_now(nights: Nights) -> None:
    nights.take({"sales.csv": file(FUTURE | {"quantity": "few"})})
    assert nights.refused("sales.csv") == [(2, "quantity", "whole.form"), (2, "sold_at", "time.future")]
    taken = nights.take(now=TOMORROW)
    assert nights.refused("sales.csv") == [(2, "quantity", "whole.form")]
    assert (taken.n_rechecked, nights.values("sales", "sale_id")) == (1, [])


def test_the_same_bytes_under_a_new_name_bring_a_row_once_the_clock_has_passed_it(nights: Nights) -> None:
    text = file(sale("1"), FUTURE)
    nights.take({"sales_1.csv": text})
    (nights.inbox / "sales_1.csv").unlink()
    nights.take({"sales_2.csv": text}, now=TOMORROW)
    assert nights.counts("sales_2.csv") == (2, 1, 0, 1, 0)
    assert nights.values("sales", "sale_id") == [("S1",), ("S2",)]


def test_of_late_rows_that_two_files_bring_the_newest_counts(nights: Nights) -> None:
    newer = FUTURE | {"net_amount": "6", "recorded_at": "2024-07-02T10:00"}
    text = file(FUTURE | {"sale_id": "S1"}, newer | {"sale_id": "S1"})
    nights.take({"sales_2.csv": text})
    nights.take({"sales_1.csv": text}, now=TOMORROW)
    assert nights.counts("sales_1.csv") == (2, 1, 0, 0, 1)
    assert nights.refused("sales_2.csv") == []
    assert counting(nights) == 6


def test_reference_rows_have_no_history(nights: Nights) -> None:
    gold, niobium = export("articles", {"material": "gold"}), export("articles", {"material": "niobium"})
    nights.take({"articles_1.csv": gold, "articles_2.csv": niobium + "K9,gold\r\n"})
    assert nights.counts("articles_2.csv") == (2, 2, 0, 0, 0)
    nights.take({"articles_0.csv": gold + "K8,gold\r\n"}, now=TOMORROW)
    assert nights.counts("articles_0.csv") == (2, 2, 0, 0, 0)
    both = csv_text([row("articles", material="niobium"), row("articles", material="implant_steel")])
    nights.take({"articles_3.csv": both}, now=TOMORROW)
    assert nights.counts("articles_3.csv") == (2, 1, 0, 0, 1)
    assert nights.values("articles", "material")[-1] == ("implant_steel",)


def test_a_lot_of_the_whole_chain_is_a_thing_of_its_own(nights: Nights) -> None:
    chain, day = {"branch_id": ""}, {"received_on": ""}
    nights.take({"lots_1.csv": export("lots", {}, chain, day, chain | day)})
    assert nights.counts("lots_1.csv") == (4, 4, 0, 0, 0)
    changed = {"expires_on": "2035-01-01"}
    nights.take({"lots_2.csv": export("lots", chain, chain | day | changed, changed | {"lot_no": " l1 "})})
    assert nights.counts("lots_2.csv") == (3, 2, 0, 1, 0)


def test_lines_of_a_receipt_are_told_apart_by_number(nights: Nights) -> None:
    nights.take({"sales.csv": file(sale("1"), sale("1", line_no="2"), sale("1", line_no="1.0"))})
    assert nights.counts("sales.csv") == (3, 2, 0, 1, 0)


def test_a_rejected_row_supersedes_nothing(nights: Nights) -> None:
    nights.take({"sales.csv": file(sale("1", MAY), sale("2", JUNE, quantity="few"))})
    assert nights.counts("sales.csv") == (2, 1, 1, 0, 0)
    assert counting(nights) == 1
