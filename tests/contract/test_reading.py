"""How every kind of value reads, by spellings that the contract allows and spellings that it refuses."""

from collections.abc import Callable
from datetime import date
from decimal import Decimal
from typing import Any

import pytest

from pipeline.contract.columns import Kind, Table
from pipeline.contract.tables import TABLES
from support.exports import Nights, csv_text, row

Cells = Callable[..., dict[tuple[str, str], Any]]
Reads = Callable[..., dict[str, Any]]


def words_of(table: Table) -> dict[str, tuple[str, ...]]:
    return {column.name: column.words for column in table.columns if column.kind is Kind.WORD}


def refuses(rule: str, *texts: str) -> dict[str, set[str]]:
    return {text: {rule} for text in texts}


def test_whole_numbers(reads: Reads) -> None:
    good = {"34": 34, "34.0": 34, "34.000": 34, " 7 ": 7, "007": 7, "-3": -3, "-0": 0, "": None}
    bad = ("+5", "1e3", "３４", "٣", "34.5", "34.", ".5", "1,000", "1 000", "0x10", "3-", "--3", "nan", "½", "12a")
    expected = good | refuses("whole.form", *bad)
    assert reads("lots", "quantity", *expected) == expected


def test_decimals(reads: Reads) -> None:
    good = {"9": "9", "9.50": "9.5", "-0.05": "-0.05", " 12.125 ": "12.125", "007.10": "7.1", "-0": "0"}
    bad = ("+5", "1e3", "9,50", "1.234,50", "９.５", "9.", ".5", "£9", "9 EUR", "inf", "nan", "1_000", "--1", "-")
    read = reads("products", "list_price", *good, *bad)
    assert {text: read[text] for text in good} == {text: Decimal(value) for text, value in good.items()}
    assert {text: read[text] for text in bad} == refuses("decimal.form", *bad)


def test_a_number_too_large_to_keep_is_refused_and_harms_no_neighbour(reads: Reads) -> None:
    largest = 10**15
    expected = {
        str(largest): largest,
        str(-largest): -largest,
        **refuses("number.range", str(largest + 1), str(2**63 - 1)),
        **refuses("whole.form", str(2**63), "9" * 300),
    }
    assert reads("lots", "quantity", *expected) == expected


def test_money_keeps_every_cent(reads: Reads) -> None:
    read = reads("products", "list_price", "0.1", "0.2", "123456789012345.67")
    assert read["0.1"] + read["0.2"] == Decimal("0.3")
    assert read["123456789012345.67"] == Decimal("123456789012345.67")


def test_dates(reads: Reads) -> None:
    good = {"2031-05-04": date(2031, 5, 4), " 2024-02-29 ": date(2024, 2, 29), "0001-01-01": date(1, 1, 1), "": None}
    bad = ("2031-02-29", "2031-02-30", "2031-13-01", "2031-00-10", "2031-04-31", "0000-01-01", "31-05-04", "2031-5-4")
    forms = ("04.05.2031", "05/04/2031", "20310504", "2031-05-04T10:00", "２０３１-05-04", "12031-05-04", "-2031-05-04")
    expected = good | refuses("date.form", *bad, *forms)
    assert reads("lots", "expires_on", *expected) == expected


def test_times_of_every_allowed_form(reads: Reads) -> None:
    expected = {
        "2031-05-04T10:00": "2031-05-04T10:00:00",
        " 2031-05-04T10:00:07 ": "2031-05-04T10:00:07",
        "2031-05-04T10:00:07.25": "2031-05-04T10:00:07.25",
        "2031-05-04T10:00:07,5": "2031-05-04T10:00:07.5",
        "2031-05-04T00:00": "2031-05-04T00:00:00",
        "2031-05-04T23:59:59": "2031-05-04T23:59:59",
        "2031-05-04T10:00Z": "2031-05-04T10:00:00Z",
        "2031-05-04T10:00:07.5Z": "2031-05-04T10:00:07.5Z",
        "2031-05-04T10:00+01": "2031-05-04T09:00:00Z",
        "2031-05-04T10:00+01:00": "2031-05-04T09:00:00Z",
        "2031-05-04T10:00+0130": "2031-05-04T08:30:00Z",
        "2031-05-04T10:00-05:30": "2031-05-04T15:30:00Z",
        "2031-05-04T10:00-00:30": "2031-05-04T10:30:00Z",
        "2031-05-04T10:00:07,5+05:45": "2031-05-04T04:15:07.5Z",
        "2031-01-01T00:30+01": "2030-12-31T23:30:00Z",
        "2024-02-29T23:00-02:00": "2024-03-01T01:00:00Z",
    }
    assert reads("stock_counts", "counted_at", *expected) == expected


def test_times_of_no_allowed_form(reads: Reads) -> None:
    bad = (
        "2031-05-04",
        "2031-05-04T10",
        "2031-05-04 10:00",
        "2031-05-04t10:00",
        "2031-05-04T10:00z",
        "2031-05-04T24:00",
        "2031-05-04T25:00",
        "2031-05-04T10:60",
        "2031-05-04T10:00:60",
        "2031-05-04T10:00:",
        "2031-05-04T10:00.5",
        "2031-05-04T1000",
        "2031-05-04T9:00",
        "2031-05-04T10:00+1",
        "2031-05-04T10:00+24:00",
        "2031-05-04T10:00+01:60",
        "2031-05-04T10:00 +01:00",
        "2031-05-04T10:00:00.",
        "2031-02-30T10:00",
        "2031-02-29T10:00",
        "0000-01-01T10:00",
        "２０３１-05-04T10:00",
        "10:00",
        "2031-W18-7T10:00",
        "2031-124T10:00",
        "1936346400",
        "noon",
    )
    expected = refuses("time.form", *bad)
    assert reads("stock_counts", "counted_at", *expected) == expected


@pytest.mark.parametrize("text", ["0001-01-01T00:00+01:00", "9999-12-31T23:30-05:00", "9999-12-31T23:59:59.9"])
def test_a_time_at_the_calendar_s_edge_harms_no_neighbour(nights: Nights, text: str) -> None:
    edge = row("revisits", revisit_id="R2", starts_at=text)
    nights.take({"revisits.csv": csv_text([row("revisits"), edge])})
    rows, accepted, rejected, *_ = nights.counts("revisits.csv")
    assert (rows, accepted + rejected) == (2, 2)
    assert ("R1",) in nights.values("revisits", "revisit_id")


def test_flags(reads: Reads) -> None:
    good = {"true": True, "YES": True, "1": True, " True ": True, "false": False, "No": False, "0": False, "": None}
    expected = good | refuses("flag.form", "y", "n", "t", "on", "2", "-1", "1.0", "ja", "yes.", "truefalse")
    assert reads("revisits", "reminder_sent", *expected) == expected


@pytest.mark.parametrize("table", [table for table in TABLES if words_of(table)], ids=lambda table: table.name)
def test_words_of_a_list_in_any_case(cells: Cells, table: Table) -> None:
    expected: dict[tuple[str, str], Any] = {}
    for column, words in words_of(table).items():
        for word in words:
            expected |= {(column, word): word, (column, word.upper()): word, (column, f" {word.title()} "): word}
        for bad in ("nose", words[0] + "s", words[0][:-1], f"{words[0]};{words[-1]}", "0", "(missing)", "u'"):
            expected[column, bad] = {"word.allowed"}
    assert cells(table.name, *expected) == expected


def test_lists_of_sites(reads: Reads) -> None:
    good = {"lobe": "lobe", "Lobe; HELIX ;rook": "lobe;helix;rook", "lobe;": "lobe", "": None}
    expected = good | refuses("sites.allowed", "lobe,helix", "lobe;nose", "lobe helix", "all", "nose")
    assert reads("practitioners", "trained_sites", *expected) == expected


def test_time_zones(reads: Reads) -> None:
    good = {"Europe/London": "Europe/London", " UTC ": "UTC", "Asia/Kathmandu": "Asia/Kathmandu", "": None}
    bad = ("Mars/Olympus", "europe/london", "London", "+01:00", "UTC+1", "../etc/passwd", "localtime", "Europe/")
    expected = good | refuses("zone.unknown", *bad)
    assert reads("branches", "timezone", *expected) == expected


def test_ids(reads: Reads) -> None:
    good = ("Z-014/2", "müller", "x" * 200, "🙂" * 200, "=1+1", "with space", "'; drop table file; --", '"', "0012")
    bad = ("x" * 201, "🙂" * 201, "a:b", "a\tb", "a\nb", "a\rb", "a\0b", "a\x1fb", "a\x7fb", "a\x85b", "a\x9fb")
    expected = {text: text for text in good} | {" padded\u00a0": "padded"} | refuses("id.form", *bad)
    assert reads("practitioners", "home_branch_id", *expected) == expected


def test_lot_and_batch_numbers_compare_in_upper_case(reads: Reads) -> None:
    expected = {" ab-7c ": "AB-7C", "AB-7C": "AB-7C", "straße": "STRASSE", "l:1": {"id.form"}, "x" * 201: {"id.form"}}
    assert reads("sales", "batch_no", *expected) == expected


def test_text_is_taken_as_it_stands(reads: Reads) -> None:
    text = '=cmd|"calc"!A1'
    expected = {text: text, "<b>x</b>": "<b>x</b>", "a: b\nc": "a: b\nc", "x" * 5000: "x" * 5000, " y ": "y"}
    assert reads("branches", "region", *expected) == expected


def test_surrounding_space_is_no_part_of_a_value_and_space_alone_is_unknown(nights: Nights) -> None:
    spaces = [" ", "\t", "\u00a0", "\u3000", " \r\n "]
    rows = [
        {name: f"{space}{value}{space}" for name, value in row("lots", lot_no=f"L{at}", branch_id="").items()}
        for at, space in enumerate(spaces)
    ]
    nights.take({"lots.csv": csv_text(rows)})
    expected = [(f"L{at}", None, date(2024, 1, 5)) for at, _ in enumerate(spaces)]
    assert nights.values("lots", "lot_no", "branch_id", "received_on") == expected
