"""Exports as their sources declare them, taken in whole: every form, every dialect, every field of a source."""

import csv
import gzip
import io
import json
from collections.abc import Iterable, Sequence
from datetime import date, datetime, timedelta
from decimal import Decimal
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any
from unittest.mock import patch

import duckdb
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.contract.rules import remedy
from pipeline.contract.tables import TABLE_BY_NAME
from pipeline.intake import checking
from pipeline.intake.inbox import look_into
from pipeline.intake.load import Taken
from pipeline.settings import Settings
from pipeline.workbook import write_workbook
from support.exports import NOW, Nights, Row, csv_text, export, row, undone
from support.workbooks import saved, written_book
from test_workbook import Book, fill_in

Said = dict[str, Any]
Cells = dict[str, object]

NEXT = NOW + timedelta(days=1)


def take(nights: Nights, files: dict[str, str | bytes], *sources: Said, now: datetime = NOW) -> Taken:
    """Lay files into the inbox and take it in under settings that declare these sources."""
    declared = Settings.model_validate({"sources": sources})
    with patch("support.exports.look_into", partial(look_into, settings=declared)):
        return nights.take(files, now=now)


def counts_of(nights: Nights, table: str) -> list[tuple[int, ...]]:
    """The counts of each file of a table, in the order taken in."""
    return nights.con.execute(
        "select rows, accepted, rejected, duplicate, superseded from file where table_name = ? order by file_id",
        [table],
    ).fetchall()


def refused(nights: Nights) -> list[tuple[int, str, str]]:
    """Every rule that stands broken in any file: line, column, rule."""
    return nights.con.execute("select line, column_name, rule from rejection order by all").fetchall()


def written(
    rows: Iterable[Row], *, delimiter: str = ",", quote: str = '"', encoding: str = "utf-8", above: str = ""
) -> bytes:
    """Rows as a CSV file in a dialect of its own, with lines above the header."""
    rows = list(rows)
    text = io.StringIO()
    quoting = {"quotechar": quote} if quote else {"quoting": csv.QUOTE_NONE}
    writer = csv.DictWriter(text, list(rows[0]), restval="", delimiter=delimiter, **quoting)
    writer.writeheader()
    writer.writerows(rows)
    return (above + text.getvalue()).encode(encoding)


BRANCH = {"branch_id": "B1", "name": "Größe 5, Tor 'A'", "region": "Süd"}
PLAIN_BRANCH = {"branch_id": "B1", "name": "Größe", "region": "Süd"}

DIALECTS: dict[str, tuple[Said, bytes, str]] = {
    "cp1252": ({"encoding": "cp1252"}, written([BRANCH], encoding="cp1252"), "file.encoding"),
    "latin-1": ({"encoding": "latin-1"}, written([BRANCH], encoding="latin-1"), "file.encoding"),
    "utf-16": ({"encoding": "utf-16"}, written([BRANCH], encoding="utf-16"), "file.encoding"),
    "semicolon": ({"delimiter": ";"}, written([BRANCH], delimiter=";"), "file.column_missing"),
    "tab": ({"delimiter": "tab"}, written([BRANCH], delimiter="\t"), "file.column_missing"),
    "bar": ({"delimiter": "|"}, written([BRANCH], delimiter="|"), "file.column_missing"),
    "apostrophe": ({"quote": "'"}, written([BRANCH], quote="'"), "row.fields"),
    "lines above": ({"skip_lines": 2}, written([BRANCH], above='Report\n"of May\n'), "file.column_missing"),
}


@pytest.mark.parametrize("packed", [False, True], ids=["plain", "gz"])
@pytest.mark.parametrize(("said", "content", "rule"), DIALECTS.values(), ids=DIALECTS.keys())
def test_a_dialect_is_read_where_it_is_declared_and_refused_where_not(
    nights: Nights, said: Said, content: bytes, rule: str, packed: bool
) -> None:
    name = "branches.csv.gz" if packed else "branches.csv"
    files: dict[str, str | bytes] = {name: gzip.compress(content, mtime=0) if packed else content}
    take(nights, files)
    assert nights.values("branches", "branch_id") == []
    assert {rule for *_, rule in refused(nights)} == {rule}
    take(nights, {}, said, now=NEXT)
    assert nights.values("branches", *BRANCH) == [tuple(BRANCH.values())]
    assert refused(nights) == []


def test_without_quotes_a_quotation_mark_is_a_character(nights: Nights) -> None:
    content = 'branch_id,name\nB1,"Harbour\nB2,5" studs\n'
    take(nights, {"branches.csv": content}, {"quote": ""})
    assert nights.values("branches", "name") == [('"Harbour',), ('5" studs',)]


@pytest.mark.parametrize("encoding", ["utf-8", "cp1252", "utf-16"])
@pytest.mark.parametrize("name", ["L2", '"L\n2"'], ids=["bare", "quoted"])
@pytest.mark.parametrize("n_above", [0, 1, 5])
@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
def test_lines_are_counted_from_the_top_of_the_file(
    nights: Nights, encoding: str, name: str, n_above: int, line_end: str
) -> None:
    above = ("A title, with 'marks' and \"" + line_end) * n_above
    lines = ["", "lot_no,branch_id,quantity", "L1,B1,1", "", f"{name},B1,x", "L3,B1", "L4,B1,1", ""]
    content = (above + line_end.join(lines)).encode(encoding)
    take(nights, {"lots.csv": content}, {"skip_lines": n_above, "encoding": encoding})
    n_more = name.count("\n")
    assert [(line, rule) for line, _, rule in refused(nights) if rule != "id.form"] == [
        (n_above + 5, "whole.form"),
        (n_above + 6 + n_more, "row.fields"),
    ]
    assert nights.values("lots", "lot_no", "line") == [("L1", n_above + 3), ("L4", n_above + 7 + n_more)]


@pytest.mark.parametrize("skipped", [2, 3, 1000])
def test_a_file_with_nothing_below_the_skipped_lines_has_no_header(nights: Nights, skipped: int) -> None:
    take(nights, {"lots.csv": "lot_no\nL1\n"}, {"skip_lines": skipped})
    assert refused(nights) == [(0, "", "file.header")]


def test_columns_are_found_by_the_names_the_source_gives_them(nights: Nights) -> None:
    content = "Bon,Zeile,Datum,Laden,Artikel,Menge,Netto,Telefon\nS1,1,2024-05-03T10:00,B1,Q1,2,9.50,07700\n"
    names = dict(zip(content.split("\n", 1)[0].split(","), row("sales"), strict=False))
    said = {"columns": {column: header for header, column in names.items() if header != "Telefon"}}
    take(nights, {"sales.csv": content}, said)
    assert nights.values("sales", "sale_id", "line_no", "quantity", "branch_id") == [("S1", 1, 2, "B1")]
    assert nights.con.execute("select undeclared from file").fetchall() == [(["Telefon"],)]


def test_the_contract_s_own_name_beside_a_renamed_column_is_another_column(nights: Nights) -> None:
    content = "lot_no,Charge\nold,new\n"
    take(nights, {"lots.csv": content}, {"columns": {"lot_no": "Charge"}})
    assert nights.values("lots", "lot_no") == [("NEW",)]
    assert nights.con.execute("select undeclared from file").fetchall() == [(["lot_no"],)]


@pytest.mark.parametrize(
    ("header", "rule"),
    [
        ("lot_no,branch_id", "file.column_missing"),
        ("Charge,Charge", "file.column_twice"),
        ("charge", "file.column_missing"),
    ],
)
def test_a_renamed_column_stands_once_and_a_required_one_must(nights: Nights, header: str, rule: str) -> None:
    take(nights, {"lots.csv": f"{header}\nL1,L1\n"}, {"columns": {"lot_no": "Charge"}})
    assert refused(nights) == [(0, "", rule)]


def test_two_columns_may_be_one_in_the_file(nights: Nights) -> None:
    content = export("procedures", {}).replace("visit_id,", "").replace("V1,", "")
    take(nights, {"procedures.csv": content}, {"columns": {"visit_id": "procedure_id"}})
    assert nights.values("procedures", "procedure_id", "visit_id") == [("P1", "P1")]


def test_words_and_unknown_ones_are_mapped_and_others_rejected(nights: Nights) -> None:
    ears = ["Links", "RECHTS", "weiss nicht", "left", "oben"]
    changes = [{"procedure_id": f"P{at}", "ear": ear, "site": "Ohrläppchen"} for at, ear in enumerate(ears)]
    values = {"ear": {"links": "left", "rechts": "right", "Weiss nicht": ""}, "site": {"ohrläppchen": "lobe"}}
    take(nights, {"procedures.csv": export("procedures", *changes)}, {"values": values})
    found = [("left", "lobe"), ("right", "lobe"), (None, "lobe"), ("left", "lobe")]
    assert nights.values("procedures", "ear", "site") == found
    assert refused(nights) == [(6, "ear", "word.allowed")]


def test_yes_and_no_may_have_words_of_their_own(nights: Nights) -> None:
    changes = [{"follow_up_id": f"F{at}", "clinician_seen": word} for at, word in enumerate(["ja", "Nein", "1", "?"])]
    values = {"clinician_seen": {"ja": "yes", "nein": "no", "?": ""}}
    take(nights, {"follow_ups.csv": export("follow_ups", *changes)}, {"values": values})
    assert nights.values("follow_ups", "clinician_seen") == [(True,), (False,), (True,), (None,)]


def test_constants_stand_for_missing_columns_and_empty_cells_and_against_other_values(nights: Nights) -> None:
    one = row("stock_counts")
    constants = {"constants": {"branch_id": "B7"}}
    without = {name: value for name, value in one.items() if name != "branch_id"}
    take(nights, {"stock_counts_1.csv": csv_text([without])}, constants)
    assert nights.values("stock_counts", "branch_id") == [("B7",)]
    rows = [one | {"branch_id": branch, "lot_no": f"L{at}"} for at, branch in enumerate(["", "b7", "B1"], 7)]
    take(nights, {"stock_counts_2.csv": csv_text(rows)}, constants, now=NEXT)
    assert nights.values("stock_counts", "branch_id", "lot_no")[1:] == [("B7", "L7"), ("B7", "L8")]
    assert refused(nights) == [(4, "branch_id", "source.form")]


SPLIT = {"split": {"column": "ear", "value": "both", "into": ["left", "right"]}}


def test_a_row_for_both_is_two_rows_and_they_are_what_is_counted(nights: Nights) -> None:
    changes = [
        {"ear": "both"},
        {"procedure_id": "P2", "ear": "left"},
        {"ear": "both"},
        {"procedure_id": "P3", "ear": "Both", "age_years": "many"},
        {"procedure_id": "P4", "ear": "upper"},
    ]
    take(nights, {"procedures.csv": export("procedures", *changes)}, SPLIT)
    assert nights.counts("procedures.csv") == (8, 3, 3, 2, 0)
    assert nights.values("procedures", "procedure_id", "ear", "line") == [
        ("P1-left", "left", 2),
        ("P1-right", "right", 2),
        ("P2", "left", 3),
    ]
    assert refused(nights) == [(5, "age_years", "whole.form"), (6, "ear", "word.allowed")]


def test_where_one_part_breaks_a_rule_the_whole_record_is_rejected(nights: Nights) -> None:
    longest = "P" * 195  # with -left 200 characters, as many as an id may have; with -right one too many
    take(nights, {"procedures.csv": export("procedures", {"procedure_id": longest, "ear": "both"}, {})}, SPLIT)
    assert nights.counts("procedures.csv") == (3, 1, 2, 0, 0)
    assert nights.values("procedures", "procedure_id") == [("P1",)]
    assert refused(nights) == [(2, "procedure_id", "id.form")]


@pytest.mark.parametrize("n_rows", [1, 2, 3, 4])
def test_the_parts_of_a_record_stay_together_however_small_the_steps(
    nights: Nights, monkeypatch: pytest.MonkeyPatch, n_rows: int
) -> None:
    monkeypatch.setattr(checking, "_ROW_GROUP", n_rows)
    monkeypatch.setattr(checking, "_NAMED_ROWS", n_rows)
    longest = "P" * 195
    records = [{"procedure_id": f"{longest if at % 3 == 1 else 'P'}{at}"[:195], "ear": "both"} for at in range(9)]
    files = {f"procedures_{at}.csv": export("procedures", *records[at : at + 3]) for at in (0, 3, 6)}
    take(nights, files, SPLIT)
    assert counts_of(nights, "procedures") == [(6, 4, 2, 0, 0)] * 3
    kept = [(f"P{at}-{ear}",) for at in range(9) if at % 3 != 1 for ear in ("left", "right")]
    assert nights.values("procedures", "procedure_id") == kept
    assert refused(nights) == [(3, "procedure_id", "id.form")] * 3


def test_the_parts_of_a_corrected_record_are_versions_of_their_own(nights: Nights) -> None:
    take(nights, {"procedures_1.csv": export("procedures", {"ear": "both"})}, SPLIT)
    later = export("procedures", {"ear": "both", "site": "helix", "recorded_at": "2024-06-01T10:00"})
    take(nights, {"procedures_2.csv": later}, SPLIT, now=NEXT)
    assert counts_of(nights, "procedures") == [(2, 2, 0, 0, 0), (2, 2, 0, 0, 0)]
    take(nights, {"procedures_3.csv": later + "\r\n"}, SPLIT, now=NEXT + timedelta(days=1))
    assert counts_of(nights, "procedures")[2] == (2, 0, 0, 2, 0)


def test_the_first_source_that_fits_holds_and_names_the_table(nights: Nights) -> None:
    files: dict[str, str | bytes] = {
        "till/may.csv": "Charge;branch_id\nL1;B1\n",
        "till/lots.csv": "lot_no\nL2\n",
        "other.csv": "lot_no\nL3\n",
    }
    semicolon = {"files": "till/m*.csv", "table": "lots", "delimiter": ";", "columns": {"lot_no": "Charge"}}
    taken = take(nights, files, semicolon, {"files": "till/*", "constants": {"branch_id": "B2"}})
    assert sorted(nights.values("lots", "lot_no", "branch_id")) == [("L1", "B1"), ("L2", "B2")]
    assert taken.others == 1


def test_the_same_bytes_of_two_branches_are_both_taken_in(nights: Nights) -> None:
    content = csv_text([{name: value for name, value in row("stock_counts").items() if name != "branch_id"}])
    sources = [{"files": f"{branch}/*", "constants": {"branch_id": branch}} for branch in ("B1", "B2")]
    take(nights, {f"{branch}/stock_counts.csv": content for branch in ("B1", "B2")}, *sources)
    assert nights.values("stock_counts", "branch_id") == [("B1",), ("B2",)]
    assert counts_of(nights, "stock_counts") == [(1, 1, 0, 0, 0), (1, 1, 0, 0, 0)]
    assert not take(nights, {}, *sources, now=NEXT).is_something
    sources.append({"files": "B3/*", "constants": {"branch_id": "B3"}})
    take(nights, {"B3/stock_counts.csv": content}, *sources, now=NEXT)
    assert nights.values("stock_counts", "branch_id") == [("B1",), ("B2",), ("B3",)]


def test_the_same_bytes_read_the_same_way_are_duplicates_whatever_the_folder(nights: Nights) -> None:
    source = {"files": "**", "delimiter": ";"}
    content = export("lots", {}).replace(",", ";")
    take(nights, {"a/lots.csv": content, "b/lots.csv": content}, source)
    take(nights, {"c/lots.csv": content}, source, now=NEXT)
    assert counts_of(nights, "lots") == [(1, 1, 0, 0, 0), (1, 0, 0, 1, 0), (1, 0, 0, 1, 0)]


def test_under_changed_settings_accepted_rows_stay_and_rejected_ones_are_checked_again(nights: Nights) -> None:
    content = export("sales", {"net_amount": "9.50"}, {"line_no": "2", "net_amount": "7,5"})
    take(nights, {"sales.csv": content})
    assert refused(nights) == [(3, "net_amount", "decimal.form")]
    comma = {"decimal_mark": ","}
    assert take(nights, {}, comma, now=NEXT).is_something
    assert nights.values("sales", "net_amount") == [(Decimal("9.5"),), (Decimal("7.5"),)]
    assert refused(nights) == []
    assert counts_of(nights, "sales") == [(2, 1, 1, 0, 0)]
    assert not take(nights, {}, comma, now=NEXT + timedelta(days=1)).is_something


def test_a_record_that_stood_rejected_may_become_two_rows(nights: Nights) -> None:
    take(nights, {"procedures.csv": export("procedures", {"ear": "both"}, {"procedure_id": "P2"})})
    assert refused(nights) == [(2, "ear", "word.allowed")]
    take(nights, {}, SPLIT, now=NEXT)
    assert refused(nights) == []
    assert sorted(nights.values("procedures", "procedure_id")) == [("P1-left",), ("P1-right",), ("P2",)]


UNDECLARED = [
    ("procedures", "pack_expiry", "03/04/2031", "date.form", "date_format"),
    ("procedures", "pack_expiry", "03.04.2031", "date.form", "date_format"),
    ("procedures", "pack_expiry", "45000", "date.form", "serial_dates"),
    ("procedures", "performed_at", "03/04/2024 10:00", "time.form", "time_format"),
    ("procedures", "performed_at", "45000.5", "time.form", "serial_dates"),
    ("sales", "net_amount", "9,50", "decimal.form", "decimal_mark"),
    ("sales", "net_amount", "1,234.50", "decimal.form", "thousands_mark"),
    ("sales", "net_amount", "\N{EURO SIGN}9.50", "decimal.form", "without a currency sign"),
    ("sales", "net_amount", "9.50 EUR", "decimal.form", "without a currency sign"),
]


@pytest.mark.parametrize(("table", "column", "value", "rule", "named"), UNDECLARED)
def test_a_form_that_nothing_declares_is_rejected_with_a_remedy_that_names_the_setting(
    nights: Nights, table: str, column: str, value: str, rule: str, named: str
) -> None:
    take(nights, {f"{table}.csv": export(table, {column: value})})
    assert refused(nights) == [(2, column, rule)]
    assert named in remedy(rule, TABLE_BY_NAME[table], column)


def test_a_value_that_misfits_is_rejected_once_under_the_rule_for_sources(nights: Nights) -> None:
    said = {"decimal_mark": ",", "date_format": "D.M.YYYY", "time_format": "D.M.YYYY HH:mm"}
    changes = [{"post_length_mm": "1.5", "pack_expiry": "5/4/2031", "performed_at": "soon"}, {"procedure_id": "P2"}]
    take(nights, {"procedures.csv": export("procedures", *changes)}, said)
    assert refused(nights) == [
        (2, column, "source.form") for column in ("pack_expiry", "performed_at", "post_length_mm")
    ]
    assert nights.values("procedures", "procedure_id") == [("P2",)]
    assert nights.con.execute("select distinct value_shape from rejection order by all").fetchall() == [
        ("9.9",),
        ("9/9/9999",),
        ("aaaa",),
    ]


def test_a_date_that_fits_its_format_and_is_no_day_is_rejected(nights: Nights) -> None:
    said = {"date_format": "DD.MM.YYYY", "time_format": "DD.MM.YYYY HH:mm", "serial_dates": 1900}
    changes = [
        {"pack_expiry": "31.02.2031"},
        {"pack_expiry": "9999999"},
        {"performed_at": "03.05.2024 24:00"},
        {"performed_at": "00.05.2024 10:00"},
    ]
    take(nights, {"procedures.csv": export("procedures", *changes)}, said)
    assert [rule for *_, rule in refused(nights)] == ["date.form", "date.form", "time.form", "time.form"]


def test_a_declared_zone_dates_rows_and_bounds_them_by_the_clock(nights: Nights) -> None:
    changes = [{"performed_at": "2024-07-01T20:30"}, {"procedure_id": "P2", "performed_at": "2024-07-01T21:30"}]
    take(nights, {"procedures.csv": export("procedures", *changes)}, {"timezone": "Asia/Tokyo"})
    assert nights.values("procedures", "performed_at") == [("2024-07-01T11:30:00Z",)]
    assert refused(nights) == [(3, "performed_at", "time.future")]  # the run's clock is 12:00 in UTC


ALL_FIELDS: Said = {
    "files": "till/*.csv",
    "table": "procedures",
    "encoding": "cp1252",
    "delimiter": ";",
    "quote": "'",
    "skip_lines": 2,
    "decimal_mark": ",",
    "thousands_mark": ".",
    "date_format": "DD.MM.YYYY",
    "time_format": "DD.MM.YYYY HH:mm",
    "serial_dates": 1900,
    "timezone": "Europe/Berlin",
    "columns": {"procedure_id": "Nr", "performed_at": "Zeit", "site": "Stelle", "ear": "Ohr", "pack_expiry": "bis"},
    "values": {"site": {"Ohrläppchen": "lobe"}},
    "constants": {"branch_id": "B1"},
    "split": {"column": "ear", "value": "beide", "into": ["left", "right"]},
}


def test_every_field_of_a_source_together(nights: Nights) -> None:
    text = (
        "Bericht\n'Mai\nNr;visit_id;Zeit;Stelle;Ohr;bis;post_length_mm\n"
        "'1;a';V1;03.05.2024 10:00;Ohrläppchen;Beide;45000;8,5\n"
        "2;V1;45415,5;helix;left;04.05.2031;1.234,5\n"
        "3;V1;03.05.2024 10:00;helix;left;4.5.2031;8.5\n"
    )
    take(nights, {"till/may.csv": text.encode("cp1252")}, ALL_FIELDS)
    columns = (
        "procedure_id",
        "branch_id",
        "performed_at",
        "site",
        "ear",
        "pack_expiry::text",
        "post_length_mm",
    )
    first = ("B1", "2024-05-03T08:00:00Z", "lobe")
    assert nights.values("procedures", *columns) == [
        ("1;a-left", *first, "left", "2023-03-15", Decimal("8.5")),
        ("1;a-right", *first, "right", "2023-03-15", Decimal("8.5")),
        ("2", "B1", "2024-05-03T10:00:00Z", "helix", "left", "2031-05-04", Decimal("1234.5")),
    ]
    assert refused(nights) == [(6, "pack_expiry", "source.form"), (6, "post_length_mm", "source.form")]
    assert counts_of(nights, "procedures") == [(4, 3, 1, 0, 0)]


SALE = ("sale_id", "line_no", "sold_at", "branch_id", "product_id", "quantity", "net_amount", "currency")
NUMBER_MARKS = [(".", None), (",", None), (",", "."), (".", ","), (",", "'"), (",", " ")]
TEXT = st.text("aZ\N{LATIN SMALL LETTER E WITH ACUTE},;|'\"\t\n ", max_size=6)


@st.composite
def deliveries(draw: st.DrawFn) -> tuple[list[Row], Said, bytes]:
    """Plain rows, a source, and the same rows as that source writes them."""
    decimal, thousands = draw(st.sampled_from(NUMBER_MARKS))
    delimiter = draw(st.sampled_from([",", ";", "\t", "|"]))
    quote = draw(st.sampled_from(['"', "'"]))
    encoding = draw(st.sampled_from(["utf-8", "utf-16", "cp1252", "latin-1"]))
    order = draw(st.sampled_from([("%d.%m.%Y", "DD.MM.YYYY"), ("%m/%d/%Y", "MM/DD/YYYY"), ("%Y%m%d", "YYYYMMDD")]))
    clock = draw(st.sampled_from([(" %H:%M:%S", " HH:mm:ss"), ("T%H:%M:%S", "THH:mm:ss")]))
    above = "".join(f"{line}\n" for line in draw(st.lists(st.text("a;,'\"", max_size=5), max_size=3)))
    columns = draw(st.dictionaries(st.sampled_from(SALE), st.just(""), max_size=4))
    columns = {name: f"their {name}" for name in columns}
    plain, theirs = [], []
    for number in range(draw(st.integers(1, 4))):
        sold = draw(st.datetimes(datetime(2000, 1, 1), datetime(2024, 6, 1))).replace(microsecond=0)
        amount = draw(st.decimals(-99_999, 99_999, places=2))
        marks = {ord(","): thousands, ord("."): decimal}
        grouped = format(amount, ",f" if thousands else "f").translate(marks)
        one = row("sales", line_no=str(number), currency=draw(TEXT), sold_at=sold.isoformat(), net_amount=str(amount))
        plain.append(one)
        own = one | {"sold_at": sold.strftime(order[0] + clock[0]), "net_amount": grouped}
        theirs.append({columns.get(name, name): value for name, value in own.items()})
    said = {
        "encoding": encoding,
        "delimiter": delimiter,
        "quote": quote,
        "skip_lines": above.count("\n"),
        "decimal_mark": decimal,
        "thousands_mark": thousands,
        "time_format": order[1] + clock[1],
        "columns": columns,
    }
    return plain, said, written(theirs, delimiter=delimiter, quote=quote, encoding=encoding, above=above)


@settings(deadline=None, max_examples=25)
@given(delivery=deliveries())
def test_rows_in_any_declared_dialect_are_the_rows_of_the_plain_file(
    shared_store: duckdb.DuckDBPyConnection, delivery: tuple[list[Row], Said, bytes]
) -> None:
    plain, said, content = delivery
    found = []
    for files, sources in (({"sales.csv": csv_text(plain)}, ()), ({"sales.csv": content}, (said,))):
        with undone(shared_store) as con, TemporaryDirectory() as folder:
            nights = Nights(con, Path(folder))
            take(nights, dict(files), *sources)
            assert refused(nights) == []
            found.append(nights.values("sales", *SALE))
    assert found[0] == found[1]
    assert len(found[0]) == len(plain)


def book(**sheets: Sequence[Sequence[object]]) -> bytes:
    return saved(written_book(sheets))


def sheet(table: str, *changes: Cells) -> list[list[object]]:
    """A table's sheet: a header, and a good row for each of the changes."""
    rows: list[Cells] = [dict(row(table)) | change for change in changes]
    names = list(dict.fromkeys(name for one in rows for name in one))
    return [list(names), *([one.get(name) for name in names] for one in rows)]


@pytest.mark.parametrize("packed", [False, True], ids=["plain", "gz"])
def test_a_workbook_holds_a_table_a_sheet_and_others_are_passed_over(nights: Nights, packed: bool) -> None:
    content = saved(
        written_book(
            {
                "Read me": [["procedures go on the next sheet"]],
                "procedures": sheet("procedures", {}, {"procedure_id": "P2", "site": "nose"}),
                "Sales ": sheet("sales", {"quantity": 2, "net_amount": 9.5}),
            }
        )
    )
    files: dict[str, str | bytes] = {"May.xlsx.gz": gzip.compress(content)} if packed else {"May.xlsx": content}
    taken = take(nights, files)
    assert counts_of(nights, "procedures") == [(2, 1, 1, 0, 0)]
    assert counts_of(nights, "sales") == [(1, 1, 0, 0, 0)]
    assert refused(nights) == [(3, "site", "word.allowed")]
    assert nights.values("sales", "quantity", "net_amount") == [(2, Decimal("9.5"))]
    assert taken.others == 0
    assert not take(nights, {}, now=NEXT).is_something


def test_a_single_sheet_of_another_name_is_of_the_file_s_table(nights: Nights) -> None:
    take(nights, {"lots_may.xlsx": book(Sheet1=sheet("lots", {}))})
    assert nights.values("lots", "lot_no") == [("L1",)]


def test_a_source_names_the_sheet(nights: Nights) -> None:
    content = book(Stock=sheet("lots", {}), Old=sheet("lots", {"lot_no": "L0"}))
    take(nights, {"book.xlsx": content}, {"table": "lots", "sheet": "Stock"})
    assert nights.values("lots", "lot_no") == [("L1",)]


@pytest.mark.parametrize("said", [{"table": "lots", "sheet": "Shelf"}, {"table": "lots"}], ids=["named", "unnamed"])
def test_a_sheet_that_is_not_there_leaves_the_file_unread(nights: Nights, said: Said) -> None:
    take(nights, {"book.xlsx": book(Stock=sheet("lots", {}), Other=[["x"]])}, said)
    assert refused(nights) == [(0, "", "file.sheet")]


def test_cells_of_a_workbook_keep_what_they_hold(nights: Nights) -> None:
    typed = {
        "procedure_id": "007",
        "visit_id": 42.0,
        "performed_at": datetime(2024, 5, 3, 10, 30),
        "pack_expiry": date(2031, 5, 4),
        "post_length_mm": 8.5,
        "age_years": 16,
    }
    take(nights, {"procedures.xlsx": book(procedures=sheet("procedures", typed))})
    columns = ("procedure_id", "visit_id", "performed_at", "pack_expiry::text", "post_length_mm", "age_years")
    assert nights.values("procedures", *columns) == [
        ("007", "42", "2024-05-03T10:30:00", "2031-05-04", Decimal("8.5"), 16)
    ]


def test_typed_dates_fit_whatever_the_source_s_format_is_and_bare_numbers_only_where_declared(nights: Nights) -> None:
    said = {"date_format": "D.M.YYYY", "time_format": "D.M.YYYY HH:mm"}
    typed: Cells = {"performed_at": datetime(2024, 5, 3, 10, 30), "pack_expiry": date(2031, 5, 4)}
    texts: Cells = {"procedure_id": "P2", "performed_at": "3.5.2024 10:30", "pack_expiry": "4.5.2031"}
    bare: Cells = {"procedure_id": "P3", "performed_at": 45415.4375, "pack_expiry": 48007}
    content = book(procedures=sheet("procedures", typed, texts, bare))
    take(nights, {"procedures.xlsx": content}, said)
    assert refused(nights) == [(4, "pack_expiry", "source.form"), (4, "performed_at", "source.form")]
    take(nights, {}, said | {"serial_dates": 1900}, now=NEXT)
    assert nights.values("procedures", "performed_at", "pack_expiry::text") == [
        ("2024-05-03T10:30:00", "2031-05-04"),
        ("2024-05-03T10:30:00", "2031-05-04"),
        ("2024-05-03T10:30:00", "2031-06-08"),
    ]


@pytest.mark.parametrize(
    "column",
    [
        "age_years",
        "article_id",
        "site",
        "performed_at",
        "lot_no",
        "client_key",
    ],
)
@pytest.mark.parametrize("value", ["#REF!", "=1+1"], ids=["error", "formula without a value"])
def test_a_cell_without_a_value_that_can_be_read_rejects_its_row(nights: Nights, column: str, value: str) -> None:
    content = book(procedures=sheet("procedures", {column: value}, {"procedure_id": "P2"}))
    take(nights, {"procedures.xlsx": content})
    assert refused(nights) == [(2, column, "cell.value")]
    assert nights.values("procedures", "procedure_id") == [("P2",)]


def test_a_merged_header_leaves_the_file_unread(nights: Nights) -> None:
    merged = written_book({"lots": sheet("lots", {})})
    merged["lots"].merge_cells("B1:C1")
    take(nights, {"lots.xlsx": saved(merged)})
    assert refused(nights) == [(0, "", "file.header")]
    assert nights.values("lots", "lot_no") == []


def test_the_workbook_filled_in_by_hand_is_an_export(nights: Nights, tmp_path: Path) -> None:
    write_workbook(tmp_path / "empty.xlsx")
    empty = Book((tmp_path / "empty.xlsx").read_bytes())
    procedure: dict[str, str | float | datetime] = {
        "procedure_id": "007",
        "visit_id": "V1",
        "client_key": "00042",
        "branch_id": "B1",
        "performed_at": datetime(2024, 5, 3, 10, 30),
        "site": "helix",
        "pack_expiry": datetime(2031, 5, 4),
        "post_length_mm": 8.5,
        "age_years": 16,
    }
    count: dict[str, str | float | datetime] = {
        "branch_id": "B1",
        "lot_no": "L1",
        "counted_at": datetime(2024, 6, 1),
        "on_hand": "12",
    }
    filled = fill_in(empty, "procedures", {2: procedure, 4: {"procedure_id": "P8"}})
    filled = fill_in(filled, "stock_counts", {2: count})
    take(nights, {"records.xlsx": filled.content})
    assert counts_of(nights, "procedures") == [(2, 1, 1, 0, 0)]
    assert nights.values("procedures", "procedure_id", "performed_at", "pack_expiry::text", "age_years") == [
        ("007", "2024-05-03T10:30:00", "2031-05-04", 16)
    ]
    assert nights.values("stock_counts", "counted_at", "on_hand") == [("2024-06-01T00:00:00", "12")]
    assert {(line, rule) for line, _, rule in refused(nights)} == {(4, "value.missing")}
    assert nights.con.execute("select sum(rows) from file").fetchall() == [(3,)]
    assert nights.con.execute("select distinct undeclared from file").fetchall() == [([],)]
    changed = fill_in(empty, "procedures", {2: procedure | {"site": "lobe"}})
    take(nights, {"records.xlsx": changed.content}, now=NEXT)
    assert nights.values("procedures", "procedure_id", "site") == [("007", "helix"), ("007", "lobe")]


TYPED: list[Cells] = [
    {"sold_at": datetime(2024, 5, 3, 10, 30), "line_no": 1, "quantity": 2, "net_amount": 9.5, "client_key": "c 1"},
    {"sold_at": datetime(2024, 5, 3, 11, 0), "line_no": 2, "quantity": -1, "net_amount": -0.25, "client_key": None},
    {"sold_at": datetime(2024, 5, 3, 11, 0), "line_no": 3, "quantity": None, "net_amount": 1.0, "client_key": None},
]


def typed_sales() -> list[Cells]:
    return [dict(row("sales")) | one for one in TYPED]


def as_parquet(rows: list[Cells]) -> bytes:
    file = io.BytesIO()
    pl.DataFrame(rows).write_parquet(file)
    return file.getvalue()


def as_jsonlines(rows: list[Cells]) -> bytes:
    def told(value: object) -> str:
        assert isinstance(value, datetime)
        return value.isoformat()

    return "".join(json.dumps(one, default=told) + "\n" for one in rows).encode()


def in_form(form: str, table: str, rows: list[Cells]) -> bytes:
    """Rows that have the same columns as a file of one of the forms."""
    if form == "parquet":
        return as_parquet(rows)
    if form == "jsonl":
        return as_jsonlines(rows)
    sheets: dict[str, list[list[object]]] = {table: [list(rows[0]), *(list(one.values()) for one in rows)]}
    return book(**sheets)


@pytest.mark.parametrize("packed", [False, True], ids=["plain", "gz"])
@pytest.mark.parametrize(("form", "first_line"), [("parquet", 2), ("jsonl", 1), ("xlsx", 2)])
def test_every_form_gives_the_rows_that_csv_gives(nights: Nights, form: str, first_line: int, packed: bool) -> None:
    rows = typed_sales()
    content = in_form(form, "sales", rows)
    texts = [
        {name: value.isoformat() if isinstance(value, datetime) else str(value or "") for name, value in one.items()}
        for one in rows
    ]
    name = f"sales_2.{form}" + (".gz" if packed else "")
    take(nights, {name: gzip.compress(content) if packed else content})
    assert nights.counts(name) == (3, 2, 1, 0, 0)
    assert nights.refused(name) == [(first_line + 2, "quantity", "value.missing")]
    take(nights, {"sales_1.csv": csv_text(texts)}, now=NEXT)
    assert nights.counts("sales_1.csv") == (3, 0, 1, 2, 0)


@pytest.mark.parametrize("form", ["parquet", "jsonl", "xlsx"])
def test_sources_map_names_words_dates_and_constants_of_every_form(nights: Nights, form: str) -> None:
    rows: list[Cells] = [
        {"Nr": f"P{at}", "visit_id": "V1", "Zeit": "3.5.2024 10:30", "Stelle": "Ohr", "ear": "beide"} for at in range(2)
    ]
    content = in_form(form, "procedures", rows)
    said = {
        "time_format": "D.M.YYYY HH:mm",
        "columns": {"procedure_id": "Nr", "performed_at": "Zeit", "site": "Stelle"},
        "values": {"site": {"ohr": "lobe"}},
        "constants": {"branch_id": "B1"},
        "split": {"column": "ear", "value": "beide", "into": ["left", "right"]},
    }
    take(nights, {f"procedures.{form}": content}, said)
    assert counts_of(nights, "procedures") == [(4, 4, 0, 0, 0)]
    assert nights.values("procedures", "procedure_id", "ear", "performed_at", "site", "branch_id")[0] == (
        "P0-left",
        "left",
        "2024-05-03T10:30:00",
        "lobe",
        "B1",
    )


def test_json_lines_may_be_in_the_encoding_of_their_source(nights: Nights) -> None:
    line = json.dumps(dict(BRANCH), ensure_ascii=False) + "\n"
    take(nights, {"branches.jsonl": line.encode("cp1252")})
    assert refused(nights) == [(0, "", "file.encoding")]
    take(nights, {}, {"encoding": "cp1252"}, now=NEXT)
    assert nights.values("branches", "name") == [(BRANCH["name"],)]


@pytest.mark.parametrize("value", [["a"], {"a": 1}])
def test_what_is_no_value_in_json_lines_rejects_its_row(nights: Nights, value: object) -> None:
    rows: list[Cells] = [dict(row("branches")) | {"name": value}, dict(row("branches", branch_id="B2"))]
    take(nights, {"branches.jsonl": as_jsonlines(rows)})
    assert refused(nights) == [(1, "name", "cell.value")]
    assert nights.values("branches", "branch_id") == [("B2",)]


@pytest.mark.parametrize("form", ["parquet", "jsonl", "xlsx"])
def test_numbers_that_are_no_text_need_no_mark_of_their_source(nights: Nights, form: str) -> None:
    rows: list[Cells] = [dict(row("sales", line_no=str(at))) | {"net_amount": 8.403 + at} for at in range(2)]
    take(nights, {f"sales.{form}": in_form(form, "sales", rows)}, {"decimal_mark": ",", "thousands_mark": "."})
    assert nights.values("sales", "net_amount") == [(Decimal("8.403"),), (Decimal("9.403"),)]


@pytest.mark.parametrize("cell", ["L1", '"L1"'])
def test_a_line_of_tabs_alone_is_blank_whatever_stands_elsewhere(nights: Nights, cell: str) -> None:
    take(nights, {"lots.csv": f"lot_no\tbranch_id\n\t\n{cell}\tB1\n"}, {"delimiter": "tab"})
    assert counts_of(nights, "lots") == [(1, 1, 0, 0, 0)]
