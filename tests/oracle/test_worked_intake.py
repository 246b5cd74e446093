"""What becomes of rows and files, versions, zones and clocks, worked out by hand from the contract's text."""

from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from . import as_of_default, tables
from .cells import shape
from .clock import instant, local_day
from .worked import NOW, PIERCINGS, night, only, rate, take


def counts(tmp_path: Path, file: str, **exports: str) -> tuple[int, ...]:
    row = only(tables(take(tmp_path, **exports))["intake"], file=file)
    return tuple(row[name] for name in ("rows", "accepted", "rejected", "duplicate", "superseded"))


VERSIONED = "procedure_id,visit_id,branch_id,performed_at,site,age_years,recorded_at"
EARLY = "P1,V1,B1,2032-05-01T10:00,lobe,30,2032-05-01T11:00Z\n"
LATE = "P1,V1,B1,2032-05-01T10:00,lobe,31,2032-05-02T11:00Z\n"


def test_rows_of_one_file(tmp_path: Path) -> None:
    file = f"{VERSIONED}\n{EARLY}{EARLY.replace('lobe,30', ' LOBE ,30.0')}\n{LATE}P2,V1,B1,never,lobe,,\nP3,V1\n"
    # The first is superseded by the third; the second equals it in every value as read; two rows are no good.
    assert counts(tmp_path, "procedures.csv", procedures=file) == (5, 1, 2, 1, 1)


def test_rows_of_a_later_file(tmp_path: Path) -> None:
    first = {"procedures_1": f"{VERSIONED}\n{LATE}"}
    assert counts(tmp_path, "procedures_2.csv", **first, procedures_2=f"{VERSIONED}\n{EARLY}") == (1, 0, 0, 0, 1)
    again = f"{VERSIONED}\n{LATE}{LATE.replace('31', '32')}"
    # The first equals the version that counts; the second has the same recorded_at and is taken in later.
    assert counts(tmp_path, "procedures_2.csv", **first, procedures_2=again) == (2, 1, 0, 1, 0)


def test_a_copy_of_a_file_is_all_duplicates(tmp_path: Path) -> None:
    first, second = f"{VERSIONED}\n{EARLY}P2,,,,,,\n", f"{VERSIONED}\n{LATE}"
    files = {"procedures_1": first, "procedures_2": second, "procedures_3": first}
    assert counts(tmp_path, "procedures_1.csv", **files) == (2, 1, 1, 0, 0)
    assert counts(tmp_path, "procedures_3.csv", **files) == (2, 0, 1, 1, 0)


def test_reference_rows_take_the_last(tmp_path: Path) -> None:
    files = {"articles_1": "article_id,material\nK1,gold\nK1,niobium\n", "articles_2": "article_id,material\nK1,gold\n"}
    assert counts(tmp_path, "articles_1.csv", **files) == (2, 1, 0, 0, 1)
    assert counts(tmp_path, "articles_2.csv", **files) == (1, 1, 0, 0, 0)
    assert take(tmp_path, **files).reference("articles")["K1"]["material"] == "gold"


def test_a_second_night(tmp_path: Path) -> None:
    tomorrow = (NOW + timedelta(days=1)).strftime("%Y-%m-%dT%H:%MZ")
    first = take(tmp_path, procedures=f"{PIERCINGS}\nP1,V1,B1,{tomorrow},lobe\nP2,V1,B1,2032-05-01T10:00,nose\n")
    second = take(tmp_path, NOW + timedelta(days=2), first)
    assert {one.rule for one in first.rejections} == {"time.future", "word.allowed"}
    assert {one.rule for one in second.rejections} == {"word.allowed"}
    assert second.counts == first.counts  # those of the first load
    assert (len(first.versions["procedures"]), len(second.versions["procedures"])) == (0, 1)
    assert as_of_default(second) == date(2032, 7, 2)


def test_what_was_known_on_a_past_day(tmp_path: Path) -> None:
    exports = {
        "procedures": """
        procedure_id,visit_id,branch_id,performed_at,site,status,recorded_at
        P1,V1,B1,2032-04-01T10:00,lobe,,
        P1,V1,B1,2032-04-01T10:00,lobe,void,2032-06-20T00:00Z
        """
    }
    assert rate(night(tmp_path, date(2032, 6, 19), **exports), "any")["procedures"] == 1
    assert night(tmp_path, date(2032, 6, 20), **exports)["complication_rates"] == []
    assert night(tmp_path, date(2032, 3, 31), **exports)["complication_rates"] == []  # not yet on record


def test_of_equal_versions_the_later_taken_in_counts(tmp_path: Path) -> None:
    found = night(
        tmp_path,
        procedures_2=f"{VERSIONED}\n{EARLY}",
        procedures_10=f"{VERSIONED}\n{EARLY.replace('30,', '15,')}",
    )
    # By code point procedures_10 comes before procedures_2.
    assert {row["level"] for row in found["complication_rates"] if row["dimension"] == "age_band"} == {"18+"}


def test_every_broken_rule_is_named(tmp_path: Path) -> None:
    taken = take(
        tmp_path,
        procedures="""
        procedure_id,visit_id,branch_id,performed_at,site,age_years,pack_expiry,post_length_mm,lot_no

        P:1,,B1,2032-05-01 10:00,nose,121,1.5.2032,"8,0",
        P2,V1,B1,2032-07-01T12:01Z,lobe,ten,,,L:1
        """,
        follow_ups="""
        follow_up_id,contacted_at,outcome,severity,onset_on,clinician_seen
        F1,2032-06-01T10:00,well,5,2032-07-02,perhaps
        """,
        branches="branch_id,timezone\nB9,Nowhere/Atlantis\n",
        practitioners="practitioner_id,trained_sites\nN1,lobe;nose\n",
        sales_1="",
        sales_2="sale_id\nS1\n",
        sales_3="\n\n",
        sales_4='sale_id,line_no\n"S1,1\n',
        sales_5="sale_id,sale_id\nS1,S2\n",
    )
    found = {(one.table, one.line, one.column, one.rule, one.value) for one in taken.rejections}
    assert found == {
        ("procedures", 3, "procedure_id", "id.form", "a:9"),
        ("procedures", 3, "visit_id", "value.missing", ""),
        ("procedures", 3, "performed_at", "time.form", "9999-99-99 99:99"),
        ("procedures", 3, "site", "word.allowed", "aaaa"),
        ("procedures", 3, "age_years", "number.range", "999"),
        ("procedures", 3, "pack_expiry", "date.form", "9.9.9999"),
        ("procedures", 3, "post_length_mm", "decimal.form", "9,9"),
        ("procedures", 4, "performed_at", "time.future", "9999-99-99a99:99a"),
        ("procedures", 4, "age_years", "whole.form", "aaa"),
        ("procedures", 4, "lot_no", "id.form", "a:9"),
        ("follow_ups", 2, "visit_id", "link.missing", ""),
        ("follow_ups", 2, "severity", "number.range", "9"),
        ("follow_ups", 2, "onset_on", "time.future", "9999-99-99"),
        ("follow_ups", 2, "clinician_seen", "flag.form", "aaaaaaa"),
        ("branches", 2, "timezone", "zone.unknown", "aaaaaaa/aaaaaaaa"),
        ("practitioners", 2, "trained_sites", "sites.allowed", "aaaa;aaaa"),
        ("sales", 0, "", "file.empty", ""),
        ("sales", 0, "", "file.column_missing", ""),
        ("sales", 0, "", "file.header", ""),
        ("sales", 0, "", "file.quote_open", ""),
        ("sales", 0, "", "file.column_twice", ""),
    }


def test_shape_shows_no_value() -> None:
    assert shape("Übung +49 151") == "aaaaa +99 999"
    assert len(shape("x" * 41)) == 40


def test_clock_changes() -> None:
    # London goes from 01:00 GMT to 02:00 BST on 2032-03-28, and from 02:00 BST back to 01:00 GMT on 2031-10-26.
    assert instant(datetime(2032, 3, 28, 1, 30), "Europe/London") == datetime(2032, 3, 28, 1, 30, tzinfo=UTC)
    assert instant(datetime(2031, 10, 26, 1, 30), "Europe/London") == datetime(2031, 10, 26, 0, 30, tzinfo=UTC)
    assert local_day(datetime(2032, 5, 18, 2, 0, tzinfo=UTC), "America/New_York") == date(2032, 5, 17)


@pytest.mark.parametrize(("zone", "is_mature"), [("", 0), ("America/New_York", 1), ("Pacific/Auckland", 0)])
def test_days_are_local_to_the_branch(tmp_path: Path, zone: str, is_mature: int) -> None:
    # 02:00 UTC on the 18th is 22:00 on the 17th in New York: mature as of 2032-06-30, elsewhere a day too young.
    found = night(
        tmp_path,
        branches=f"branch_id,timezone\nB1,{zone}\n",
        procedures=f"{PIERCINGS}\nP1,V1,B1,2032-05-18T02:00Z,lobe\n",
    )
    assert rate(found, "any")["procedures"] == is_mature


def test_a_wall_time_is_in_the_future_only_by_its_branch_s_clock(tmp_path: Path) -> None:
    # At 12:00 UTC it is 00:00 of the next day in Auckland and 08:00 in New York.
    taken = take(
        tmp_path,
        branches="branch_id,timezone\nB1,Pacific/Auckland\nB2,America/New_York\n",
        procedures=f"""
        {PIERCINGS}
        P1,V1,B1,2032-07-02T00:00,lobe
        P2,V2,B2,2032-07-01T08:00,lobe
        P3,V3,B2,2032-07-01T08:01,lobe
        P4,V4,B9,2032-07-01T12:00,lobe
        P5,V5,B9,2032-07-01T12:01,lobe
        """,
        follow_ups="""
        follow_up_id,client_key,contacted_at,outcome,onset_on
        F1,C1,2032-07-02T00:00,well,2032-07-02
        F2,C1,2032-07-02T00:01,well,2032-07-03
        """,
    )
    late = [(one.table, one.line, one.column) for one in taken.rejections]
    assert late == [
        ("procedures", 4, "performed_at"),
        ("procedures", 6, "performed_at"),
        ("follow_ups", 3, "contacted_at"),
        ("follow_ups", 3, "onset_on"),
    ]
