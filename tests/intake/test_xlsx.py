"""Workbooks become records of text: every kind of cell, every way a workbook can contradict itself, every bomb."""

import io
import re
import subprocess
import sys
import zipfile
from collections.abc import Iterable, Iterator
from datetime import date, datetime, time, timedelta
from pathlib import Path

import numpy as np
import openpyxl
import pytest
import xlsxwriter
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from openpyxl.cell.rich_text import CellRichText, TextBlock
from openpyxl.cell.text import InlineFont
from openpyxl.utils.datetime import CALENDAR_MAC_1904, CALENDAR_WINDOWS_1900

from pipeline.intake.records import BrokenCell, Refused, UnreadableError
from pipeline.intake.xlsx import read_xlsx, sheet_names
from support.workbooks import (
    SHEET_PART,
    STRINGS_PART,
    STYLES_PART,
    cell,
    content_types,
    hand_made,
    row,
    saved,
    strict,
    text,
    without,
    written_book,
    zipped,
)

Lines = list[tuple[int, list[str]]]


def read(book: bytes, sheet: str = "sales") -> Lines:
    found = list(read_xlsx(io.BytesIO(book), sheet))
    assert all(isinstance(record, tuple) for record in found)
    return [record for record in found if isinstance(record, tuple)]


def read_rows(rows: str, **more: object) -> Lines:
    return read(zipped(hand_made(rows, **more)))  # type: ignore[arg-type]


def failure(book: bytes, sheet: str = "sales") -> tuple[str, str]:
    with pytest.raises(UnreadableError) as caught:
        list(read_xlsx(io.BytesIO(book), sheet))
    return caught.value.rule, caught.value.detail


def failure_of(rows: str, **more: object) -> str:
    return failure(zipped(hand_made(rows, **more)))[0]  # type: ignore[arg-type]


def value_of(written: str, **more: object) -> str:
    """What a single cell, in row 2 under a header of one name, is read as."""
    found = read_rows(row(1, text("a")) + row(2, text("x"), written), **more)
    alone = read_rows(row(1, text("a"), text("b")) + row(2, text("x"), written), **more)
    assert [line for line, _ in found] == [line for line, _ in alone] == [1, 2]
    return alone[1][1][1]


def test_a_library_s_workbook_reads_as_the_values_written() -> None:
    rows = [
        ("sale_id", "sold_at", "sold_on", "quantity", "net_amount", "flag", "note"),
        ("007", datetime(2031, 5, 4, 16, 30), date(2031, 5, 4), 2, 12.5, True, None),
        (7.0, datetime(2031, 5, 4), date(1999, 12, 31), -3, 0.1, False, " a b "),
    ]
    assert read(saved(written_book({"sales": rows}))) == [
        (1, ["sale_id", "sold_at", "sold_on", "quantity", "net_amount", "flag", "note"]),
        (2, ["007", "2031-05-04T16:30:00", "2031-05-04", "2", "12.5", "true", ""]),
        (3, ["7", "2031-05-04T00:00:00", "1999-12-31", "-3", "0.1", "false", " a b "]),
    ]


def test_another_library_s_workbook_reads_as_the_values_written() -> None:
    file = io.BytesIO()
    with xlsxwriter.Workbook(file, {"in_memory": True}) as book:
        sheet = book.add_worksheet("sales")
        bold, day = book.add_format({"bold": True}), book.add_format({"num_format": "dd.mm.yyyy"})
        moment = book.add_format({"num_format": "dd.mm.yyyy hh:mm"})
        sheet.write_row(0, 0, ["text", "number", "day", "moment", "midnight", "flag", "formula", "rich", "error"])
        sheet.write_string(2, 0, "007")
        sheet.write_number(2, 1, 0.1 + 0.2)
        sheet.write_datetime(2, 2, datetime(2031, 5, 4), day)
        sheet.write_datetime(2, 3, datetime(2031, 5, 4, 16, 30, 1), moment)
        sheet.write_datetime(2, 4, datetime(2031, 5, 4), moment)
        sheet.write_boolean(2, 5, True)
        sheet.write_formula(2, 6, "=1+1", None, 2)
        sheet.write_rich_string(2, 7, "plain ", bold, "bold")
        sheet.write_formula(2, 8, "=1/0", None, "#DIV/0!")
        sheet.write_blank(3, 0, None, bold)
        sheet.write_string(4, 0, "_x0041_ and \x07")
    written = ["007", "0.3", "2031-05-04", "2031-05-04T16:30:01", "2031-05-04T00:00:00", "true", "2", "plain bold"]
    header, full, escaped = read(file.getvalue())
    assert header == (1, ["text", "number", "day", "moment", "midnight", "flag", "formula", "rich", "error"])
    assert full == (3, [*written, "#DIV/0!"])  # this library writes 16 digits
    assert isinstance(full[1][-1], BrokenCell)
    assert escaped == (5, ["_x0041_ and \x07", *[""] * 8])


VALUES = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-(10**15) + 1, 10**15 - 1),
    st.floats(-1e308, 1e308).map(lambda number: float(f"{number:.15g}")),  # all the library writes
    st.text(st.characters(exclude_categories=["Cs", "Cc", "Cn"]), max_size=12).filter(lambda found: found[:1] != "="),
    st.datetimes(datetime(1904, 1, 2), datetime(9999, 12, 30)).map(lambda moment: moment.replace(microsecond=0)),
    st.dates(date(1904, 1, 2)),
)


def as_text(value: object) -> str:
    """A value as the contract writes it, worked out without the reader's own code."""
    match value:
        case None:
            return ""
        case bool():
            return str(value).lower()
        case float():
            return np.format_float_positional(value + 0.0, unique=True, trim="-")
        case datetime() | date():
            return value.isoformat()
    return str(value)


@settings(deadline=None, max_examples=60, suppress_health_check=[HealthCheck.too_slow])
@given(rows=st.lists(st.tuples(VALUES, VALUES, VALUES), max_size=6), is_1904=st.booleans())
def test_what_a_library_writes_is_read_back(rows: list[tuple[object, ...]], is_1904: bool) -> None:
    book = written_book({})
    book.epoch = CALENDAR_MAC_1904 if is_1904 else CALENDAR_WINDOWS_1900
    sheet = book.create_sheet("sales")
    for values in [("a", "b", "c"), *rows]:
        sheet.append(values)
    texts = [(line, [as_text(value) for value in values]) for line, values in enumerate(rows, start=2)]
    expected = [(line, cells) for line, cells in texts if any(found.strip() for found in cells)]
    assert read(saved(book))[1:] == expected


def test_a_second_reader_finds_the_same_in_a_hand_made_book() -> None:
    rows = row(1, text("a"), text("b")) + row(3, cell("36526.75", style=1), cell("0", kind="s")) + row(7, cell("2.5"))
    parts = hand_made(rows, strings="<si><t>word</t></si>", formats=["yyyy-mm-dd hh:mm"])
    book = zipped({**parts, **content_types()})
    sheet = openpyxl.load_workbook(io.BytesIO(book))["sales"]
    assert [sheet.cell(3, 1).value, sheet.cell(3, 2).value, sheet.cell(7, 1).value] == [
        datetime(2000, 1, 1, 18),
        "word",
        2.5,
    ]
    assert read(book)[1:] == [(3, ["2000-01-01T18:00:00", "word"]), (7, ["2.5", ""])]


# Sheets


def test_sheets_stand_in_the_workbook_s_order_hidden_ones_too_and_charts_not() -> None:
    book = written_book({"sales": [["a"]], "lots": [["b"]], "products": [["c"]]})
    book["lots"].sheet_state = "hidden"
    book["products"].sheet_state = "veryHidden"
    book.create_chartsheet("picture", 0)
    content = saved(book)
    assert sheet_names(io.BytesIO(content)) == ("sales", "lots", "products")
    assert [read(content, name)[0][1] for name in sheet_names(io.BytesIO(content))] == [["a"], ["b"], ["c"]]


def test_a_sheet_that_is_not_there_is_told() -> None:
    assert failure(saved(written_book({"sales": [["a"]]})), "Sales")[0] == "file.sheet"


def test_rows_above_the_header_are_skipped_whatever_they_hold() -> None:
    book = written_book({"sales": [["Report of May", "x", "y"], [None], ["a", "b"], [1, 2]]})
    book["sales"].merge_cells("A1:C1")
    file = io.BytesIO(saved(book))
    for skipped in (1, 2):
        assert list(read_xlsx(file, "sales", skipped)) == [(3, ["a", "b"]), (4, ["1", "2"])]
    assert list(read_xlsx(file, "sales", 3)) == [(4, ["1", "2"])]
    with pytest.raises(UnreadableError, match=r"file\.header"):
        list(read_xlsx(file, "sales", 4))


def test_the_file_stays_open_and_can_be_read_again() -> None:
    file = io.BytesIO(saved(written_book({"sales": [["a"], [1]]})))
    assert sheet_names(file) == ("sales",)
    assert list(read_xlsx(file, "sales")) == list(read_xlsx(file, "sales")) == [(1, ["a"]), (2, ["1"])]


def test_strict_workbooks_read_as_transitional_ones() -> None:
    parts = hand_made(
        row(1, text("a"), text("b")) + row(2, cell("0", kind="s"), cell("45000", style=1)),
        strings="<si><r><t>two </t></r><r><t>runs</t></r></si>",
        formats=["yyyy-mm-dd"],
    )
    assert "x:row" in str(strict(parts)[SHEET_PART])
    assert read(zipped(strict(parts))) == read(zipped(parts)) == [(1, ["a", "b"]), (2, ["two runs", "2023-03-15"])]


def test_part_names_differ_in_case_and_slashes_only() -> None:
    parts = hand_made(row(1, text("a")))
    assert read(zipped({name.replace("/", "\\").upper(): content for name, content in parts.items()})) == [(1, ["a"])]


@pytest.mark.parametrize("encoding", ["utf-16", "utf-8-sig"])
def test_parts_may_be_in_utf_16_or_begin_with_a_mark(encoding: str) -> None:
    parts = hand_made(row(1, text("é€😀")))
    assert read(zipped({name: str(xml).encode(encoding) for name, xml in parts.items()})) == [(1, ["é€😀"])]


# Rows


def test_the_header_is_the_first_row_with_a_value_and_lines_are_row_numbers() -> None:
    rows = row(2, "<c/>", text("")) + row(4, text("a"), text("b")) + row(5) + row(9, text("1"), text("2"))
    assert read_rows(rows) == [(4, ["a", "b"]), (9, ["1", "2"])]


def test_numbers_of_rows_and_cells_may_be_left_out() -> None:
    rows = row(None, text("a"), text("b"), text("c")) + row(5, text("1", "B5"), text("2")) + row(None, text("3"))
    assert read_rows(rows) == [(1, ["a", "b", "c"]), (5, ["", "1", "2"]), (6, ["3", "", ""])]


@pytest.mark.parametrize("blank", ["", text(""), text("  "), text("\u00a0"), "<c s='0'/>", cell("", kind="s")])
def test_rows_without_a_value_are_no_records(blank: str) -> None:
    assert read_rows(row(1, text("a")) + row(2, blank) + row(3, text("1"))) == [(1, ["a"]), (3, ["1"])]


def test_a_value_beyond_the_header_makes_the_record_longer() -> None:
    rows = row(1, text("a"), text("b"), text(" ")) + row(2, text("1"), text("2"), text("3"), text("4"))
    (_, header), (_, record) = read_rows(rows)
    assert (header, record) == (["a", "b"], ["1", "2", "3"])


def test_an_error_beyond_the_header_makes_the_record_longer() -> None:
    assert len(read_rows(row(1, text("a")) + row(2, text("1"), cell("#REF!", kind="e")))[1][1]) == 2


def test_space_and_formats_beyond_the_header_do_not() -> None:
    rows = row(1, text("a")) + row(2, text("1"), text(" "), '<c s="0"/>')
    assert read_rows(rows) == [(1, ["a"]), (2, ["1"])]


def test_a_header_may_have_gaps() -> None:
    rows = row(1, text("a", "B1"), text("b", "D1")) + row(2, text("1", "A2"), text("2", "D2"))
    assert read_rows(rows) == [(1, ["", "a", "", "b"]), (2, ["1", "", "", "2"])]


def test_columns_have_letters_as_spreadsheets_count_them() -> None:
    names = {"A": 1, "Z": 26, "AA": 27, "AZ": 52, "BA": 53, "ZZ": 702, "AAA": 703}
    for letters, column in names.items():
        (_, header) = read_rows(row(1, text("a", f"{letters}1")))[0]
        assert (len(header), header[-1]) == (column, "a")


def test_hidden_rows_and_columns_count() -> None:
    book = written_book({"sales": [["a", "b"], [1, 2], [3, 4]]})
    book["sales"].row_dimensions[2].hidden = True
    book["sales"].column_dimensions["A"].hidden = True
    assert read(saved(book)) == [(1, ["a", "b"]), (2, ["1", "2"]), (3, ["3", "4"])]


def merge(*ranges: str) -> str:
    return "<mergeCells>" + "".join(f'<mergeCell ref="{found}"/>' for found in ranges) + "</mergeCells>"


@pytest.mark.parametrize("found", ["A2:B2", "A1:A2", "C2:D9", "A1:XFD1048576"])
def test_a_merged_header_is_refused(found: str) -> None:
    rows = row(2, text("a"), text("b")) + row(3, text("1"))
    assert failure_of(rows, after=merge("A7:B7", found)) == "file.header"


def test_a_library_s_merged_header_is_refused_and_what_it_merges_below_is_not() -> None:
    book = written_book({"sales": [["a", "b"], [1, 2], [3, 4]]})
    book["sales"].merge_cells("A2:B3")
    assert read(saved(book)) == [(1, ["a", "b"]), (2, ["1", ""])]
    book["sales"].merge_cells("A1:B1")
    assert failure(saved(book))[0] == "file.header"


def test_one_cell_is_not_merged() -> None:
    assert read_rows(row(1, text("a")), after=merge("A1")) == [(1, ["a"])]


def test_a_merged_title_above_is_the_header_and_so_refused() -> None:
    assert failure_of(row(1, text("Sales of May")) + row(2, text("a")), after=merge("A1:D1")) == "file.header"


@pytest.mark.parametrize("rows", ["", row(1), row(1, text(" ")), row(5, "<c/>")])
def test_a_sheet_without_a_value_has_no_header(rows: str) -> None:
    assert failure_of(rows) == "file.header"


# Text


@pytest.mark.parametrize("kind", ["shared", "inline", "formula"])
@pytest.mark.parametrize(
    ("written", "value"),
    [
        ("007", "007"),
        (" a  b ", " a  b "),
        ("2031-05-04", "2031-05-04"),
        ("1E5", "1E5"),
        ("a_x000D_\nb", "a\r\nb"),
        ("_x005F_x0041_", "_x0041_"),
        ("_x0041_x0042_", "Ax0042_"),
        ("_x00e9_ _x20AC_", "é €"),
        ("_x41_ _X0041_ x_y", "_x41_ _X0041_ x_y"),
        ("_xD83D__xDE00_", "_xD83D__xDE00_"),
        ("&lt;b&gt; &amp;amp; <![CDATA[<c>]]>", "<b> &amp; <c>"),
    ],
)
def test_text_stays_as_it_is_and_escapes_become_characters(kind: str, written: str, value: str) -> None:
    how = {
        "shared": cell("0", kind="s"),
        "inline": text(written),
        "formula": cell(written, kind="str", formula="A1"),
    }[kind]
    found = value_of(how, strings=f"<si><t xml:space='preserve'>{written}</t></si>")
    assert (found, isinstance(found, BrokenCell)) == (value, False)


@pytest.mark.parametrize("is_shared", [False, True])
def test_runs_are_joined_and_readings_left_out(is_shared: bool) -> None:
    runs = "<r><rPr><b/></rPr><t>東</t></r><r><t>京</t></r><rPh sb='0' eb='1'><t>トウ</t></rPh><phoneticPr/>"
    how = cell("0", kind="s") if is_shared else f'<c t="inlineStr"><is>{runs}</is></c>'
    assert value_of(how, strings=f"<si>{runs}</si>") == "東京"


def test_a_library_s_rich_text_is_joined() -> None:
    rich = CellRichText("plain ", TextBlock(InlineFont(b=True), "bold"), " plain")
    assert read(saved(written_book({"sales": [["a"], [rich]]})))[1] == (2, ["plain bold plain"])


def test_the_texts_cells_share_are_counted_from_nought() -> None:
    rows = row(1, cell("2", kind="s"), cell("0", kind="s"), cell("1", kind="s"))
    strings = "<si><t>b</t></si><si/><si><t>a</t></si>"
    assert read_rows(rows, strings=strings) == [(1, ["a", "b"])]


# Numbers


@pytest.mark.parametrize(
    ("written", "value"),
    [
        *[("7", "7"), ("7.0", "7"), ("-7.00", "-7"), ("0", "0"), ("-0", "0"), ("-0.0", "0"), ("007", "7")],
        *[
            ("1.1000000000000001", "1.1"),
            ("0.30000000000000004", "0.30000000000000004"),
            (".5", "0.5"),
            ("5.", "5"),
            ("+5", "5"),
            (" 5 ", "5"),
        ],
        *[("1E3", "1000"), ("1.5E-7", "0.00000015"), ("-2.5e+2", "-250"), ("1E22", "1" + "0" * 22)],
        *[("45000", "45000"), ("45000.5", "45000.5"), ("9007199254740993", "9007199254740993")],
        *[
            ("123456789012345678", "123456789012345680"),
            ("12345678901234567", "12345678901234567"),
            ("4.9E-324", "0." + "0" * 323 + "5"),
        ],
    ],
)
def test_numbers_are_the_shortest_text_without_an_exponent(written: str, value: str) -> None:
    found = value_of(cell(written))
    assert (found, isinstance(found, BrokenCell)) == (value, False)


@pytest.mark.parametrize("written", ["1E999", "-1E999", "NaN", "INF", "1_000", "1,5", "0x10", "٧", "1 2", "E5", "-"])
def test_what_is_no_number_breaks_its_cell(written: str) -> None:
    assert isinstance(value_of(cell(written)), BrokenCell)
    assert isinstance(value_of(cell(written, style=1), formats=["yyyy"]), BrokenCell)


# Dates


DATE_FORMATS = [
    *["yyyy-mm-dd", "d/m/yy", "mmm", "[$-407]d. mmmm yyyy", "YYYY", "[Red]dd", "s", "mm:ss.0", "[mm]:ss"],
    *["yyyy\\-mm\\-dd;@", "&quot;on &quot;d", "d;;;"],
]
HOUR_FORMATS = ["h:mm AM/PM", "yyyy-mm-dd hh:mm", "[h]:mm:ss", "[HH]", "dd.mm.yyyy\\ h&quot;.&quot;mm"]
NUMBER_FORMATS = [
    *["0", "0.00", "General", "Standard", "#,##0.00 [$kr-414]", "[Red]0", "[&lt;=100]0", "0.00E+00", "@"],
    *["0 &quot;days&quot;", "0\\d", "0_d", "*s0", "# ?/?", "&quot;dmy", "[$SEK] 0", "[Yellow]0", "[hm]0", "0\\", ""],
]


@pytest.mark.parametrize("code", DATE_FORMATS)
def test_a_number_whose_format_shows_a_date_is_one(code: str) -> None:
    assert value_of(cell("45000", style=1), formats=[code]) == "2023-03-15"
    assert value_of(cell("45000.75", style=1), formats=[code]) == "2023-03-15T18:00:00"


@pytest.mark.parametrize("code", HOUR_FORMATS)
def test_a_format_that_shows_hours_makes_midnight_a_time(code: str) -> None:
    assert value_of(cell("45000", style=1), formats=[code]) == "2023-03-15T00:00:00"


@pytest.mark.parametrize("code", NUMBER_FORMATS)
def test_a_number_whose_format_shows_none_is_a_number(code: str) -> None:
    assert value_of(cell("45000.5", style=1), formats=[code]) == "45000.5"


@pytest.mark.parametrize("format_id", range(60))
def test_built_in_formats_are_known_by_number(format_id: int) -> None:
    parts = hand_made(row(1, text("a")) + row(2, cell("45000", style=1)), formats=["0"])
    parts[STYLES_PART] = str(parts[STYLES_PART]).replace('<xf numFmtId="200"/>', f'<xf numFmtId="{format_id}"/>')
    is_date = 14 <= format_id <= 22 or 27 <= format_id <= 36 or 45 <= format_id <= 47 or 50 <= format_id <= 58
    shows_hours = format_id in (18, 19, 20, 21, 22, 32, 33, 46)
    expected = "2023-03-15T00:00:00" if shows_hours else "2023-03-15" if is_date else "45000"
    assert read(zipped(parts))[1] == (2, [expected])


# Serials and their days: ECMA-376 part 1, 18.17.4.1 for 1, 60 and 2958465; the others by counting days from 1900-03-01
# (61), the first day after the one that never was.
@pytest.mark.parametrize(
    ("serial", "value"),
    [
        *[("1", "1900-01-01"), ("59", "1900-02-28"), ("61", "1900-03-01"), ("2958465", "9999-12-31")],
        ("59.5", "1900-02-28T12:00:00"),
        ("25569", "1970-01-01"),
        ("47976.6875", "2031-05-08T16:30:00"),
        ("45000.000004", "2023-03-15"),
        ("45000.00001", "2023-03-15T00:00:01"),
        ("45000.4374999999", "2023-03-15T10:30:00"),
        ("44999.9999999999", "2023-03-15"),
        ("4.5E4", "2023-03-15"),
    ],
)
def test_serials_count_days_from_1900(serial: str, value: str) -> None:
    assert value_of(cell(serial, style=1), formats=["yyyy-mm-dd"]) == value


def test_every_day_after_the_false_one_agrees_with_counting() -> None:
    serials = [61, 62, 366, 367, 36525, 36526, 36585, 36586, 73050, 109574]
    rows = row(1, text("a")) + "".join(row(None, cell(str(serial), style=1)) for serial in serials)
    days = [record[0] for _, record in read_rows(rows, formats=["yyyy"])[1:]]
    assert days == [(date(1900, 3, 1) + timedelta(days=serial - 61)).isoformat() for serial in serials]


@pytest.mark.parametrize(
    "serial", ["60", "60.5", "0", "0.5", "0.999", "-1", "-0.5", "2958466", "2958465.9999999", "1E300"]
)
def test_serials_that_are_no_day_break_their_cell(serial: str) -> None:
    assert isinstance(value_of(cell(serial, style=1), formats=["yyyy-mm-dd hh:mm"]), BrokenCell)


@pytest.mark.parametrize("written", ["1", "true", "on"])
@pytest.mark.parametrize(
    ("serial", "value"), [("1", "1904-01-02"), ("60", "1904-03-01"), ("61", "1904-03-02"), ("2957003", "9999-12-31")]
)
def test_serials_may_count_from_1904(written: str, serial: str, value: str) -> None:
    assert value_of(cell(serial, style=1), formats=["d"], properties=f'date1904="{written}"') == value


@pytest.mark.parametrize("written", ["0", "false"])
def test_1904_may_be_denied(written: str) -> None:
    assert value_of(cell("61", style=1), formats=["d"], properties=f'date1904="{written}"') == "1900-03-01"


@pytest.mark.parametrize("serial", ["0", "0.5", "2957004", "-1"])
def test_serials_from_1904_that_are_no_day_break_their_cell(serial: str) -> None:
    assert isinstance(value_of(cell(serial, style=1), formats=["d"], properties='date1904="1"'), BrokenCell)


@pytest.mark.parametrize(
    ("written", "value"),
    [
        *[
            ("2031-05-04", "2031-05-04"),
            ("2031-05-04T00:00:00", "2031-05-04"),
            ("2031-05-04T16:30", "2031-05-04T16:30:00"),
        ],
        *[("2031-05-04T16:30:29.6", "2031-05-04T16:30:30"), ("2031-05-04T23:59:59.9", "2031-05-05")],
        *[("2031-05-04T16:30:00Z", "2031-05-04T16:30:00Z"), ("2031-05-04T00:00:00+02:00", "2031-05-04T00:00:00+02:00")],
    ],
)
def test_dates_may_be_written_in_iso_8601(written: str, value: str) -> None:
    assert value_of(cell(written, kind="d")) == value


def test_an_iso_midnight_whose_format_shows_hours_is_a_time() -> None:
    assert value_of(cell("2031-05-04", kind="d", style=1), formats=["hh:mm"]) == "2031-05-04T00:00:00"


@pytest.mark.parametrize(
    "written", ["16:30:00", "2031-02-30", "20310504", "2031-W01-1", "2031-05-04T24:01", "4 May", "45000"]
)
def test_what_is_no_date_breaks_its_cell(written: str) -> None:
    assert isinstance(value_of(cell(written, kind="d")), BrokenCell)


def test_a_time_of_day_alone_breaks_its_cell() -> None:
    found = read(saved(written_book({"sales": [["a"], [time(16, 30)]]})))
    assert isinstance(found[1][1][0], BrokenCell)


# Switches, errors, formulas


@pytest.mark.parametrize(("written", "value"), [("1", "true"), ("0", "false"), ("true", "true"), ("false", "false")])
def test_switches_are_true_or_false(written: str, value: str) -> None:
    assert value_of(cell(written, kind="b")) == value


@pytest.mark.parametrize("written", ["2", "yes", "TRUE"])
def test_other_switches_break_their_cell(written: str) -> None:
    assert isinstance(value_of(cell(written, kind="b")), BrokenCell)


@pytest.mark.parametrize("written", ["#REF!", "#N/A", "#DIV/0!", ""])
def test_errors_break_their_cell_and_say_which(written: str) -> None:
    found = value_of(cell(written, kind="e"))
    assert (found, type(found)) == (written or "an error", BrokenCell)


@pytest.mark.parametrize(
    ("written", "value"),
    [
        (cell("12.50", formula="A1*2"), "12.5"),
        (cell("45000", formula="TODAY()", style=1), "2023-03-15"),
        (cell("word", kind="str", formula="B1"), "word"),
        (cell("1", kind="b", formula="A1=1"), "true"),
        (cell("", kind="str", formula='""'), ""),
        ('<c t="str"><f>A1</f><v/></c>', ""),
        ('<c><f t="shared" si="0"/><v>4</v></c>', "4"),
    ],
)
def test_formulas_are_the_value_last_worked_out(written: str, value: str) -> None:
    found = value_of(written, formats=["yyyy-mm-dd"])
    assert (found, isinstance(found, BrokenCell)) == (value, False)


@pytest.mark.parametrize(
    "cell_of", ["<c><f>A1</f></c>", "<c><f>A1</f><v/></c>", '<c t="str"><f>A1</f></c>', "<c><f/><v></v></c>"]
)
def test_formulas_without_a_value_break_their_cell(cell_of: str) -> None:
    assert isinstance(value_of(cell_of), BrokenCell)


def test_a_library_s_formula_has_no_value() -> None:
    ((_, _), (_, (found,))) = read(saved(written_book({"sales": [["a"], ["=1+1"]]})))
    assert isinstance(found, BrokenCell)


def test_an_error_s_formula_is_the_error() -> None:
    assert value_of(cell("#REF!", kind="e", formula="A1")) == "#REF!"


# What contradicts itself


@pytest.mark.parametrize(
    "rows",
    [
        row(2, text("a")) + row(2, text("b")),
        row(2, text("a")) + row(1, text("b")),
        row(1, text("a", "B1"), text("b", "B1")),
        row(1, text("a", "B1"), text("b", "A1")),
        row(1, text("a", "A2")),
        row(11, text("a", "A1")),
        row(1, text("a", "A11")),
        row(1, text("a", "1")),
        row(1, text("a", "a1")),
        row(1, text("a", "$A$1")),
        *[f'<row r="{number}">{text("a")}</row>' for number in ("0", "-1", "1.0", "x", "", " 1", "١")],
        row(1, cell("1", kind="s")),
        row(1, cell("-1", kind="s")),
        row(1, cell("x", kind="s")),
        row(1, cell("1", style=1)),
        row(1, cell("1", kind="money")),
        "<row",
        "</row>",
        "<row><c></row>",
        "&nbsp;",
        "\x01",
    ],
)
def test_a_sheet_that_contradicts_itself_is_refused(rows: str) -> None:
    assert failure_of(rows, strings="<si><t>a</t></si>") == "file.container"


@pytest.mark.parametrize("after", [merge("A1:B"), merge("1:2"), merge("")])
def test_cells_merged_nowhere_are_refused(after: str) -> None:
    assert failure_of(row(1, text("a")), after=after) == "file.container"


def test_merges_that_stand_before_the_rows_are_refused() -> None:
    parts = hand_made(row(1, text("a")))
    parts[SHEET_PART] = str(parts[SHEET_PART]).replace("<sheetData>", merge("A1:B1") + "<sheetData>")
    assert failure(zipped(parts))[0] == "file.container"


@pytest.mark.parametrize(
    "rows",
    [row(999_999_999, text("a")), row(1_048_577, text("a")), row(1, text("a", "ZZZZZ1")), row(1, text("a", "XFE1"))],
)
def test_rows_and_columns_beyond_a_sheet_s_are_refused(rows: str) -> None:
    assert failure_of(rows) == "file.size"


def test_the_last_row_and_column_of_a_sheet_are_read() -> None:
    rows = row(1, text("a")) + row(1_048_576, text("1", "A1048576"), text("2", "XFD1048576"))
    assert read_rows(rows) == [(1, ["a"]), (1_048_576, ["1", ""])]


def test_a_header_beyond_a_thousand_columns_is_refused() -> None:
    assert failure_of(row(1, text("a", "ALM1"))) == "file.size"
    assert len(read_rows(row(1, text("a", "ALL1")))[0][1]) == 1000


DOCTYPES = [
    '<!DOCTYPE worksheet [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;&a;&a;">]>',
    '<!DOCTYPE worksheet SYSTEM "sheet.dtd">',
    "<!DOCTYPE worksheet>",
]


@pytest.mark.parametrize("doctype", DOCTYPES)
@pytest.mark.parametrize("part", list(hand_made("")))
def test_a_document_type_is_refused_in_every_part(part: str, doctype: str) -> None:
    parts = hand_made(row(1, text("a")))
    parts[part] = doctype + str(parts[part])
    rule, detail = failure(zipped(parts))
    assert (rule, "document type" in detail) == ("file.container", True)


@pytest.mark.parametrize("encoding", ["iso-8859-1", "utf-7", "shift_jis", "base64", "nonsense"])
def test_other_encodings_are_refused(encoding: str) -> None:
    parts = hand_made(row(1, text("a")))
    parts[SHEET_PART] = f'<?xml version="1.0" encoding="{encoding}"?>{parts[SHEET_PART]!s}'
    assert failure(zipped(parts))[0] == "file.container"


@pytest.mark.parametrize("part", [STYLES_PART, STRINGS_PART])
def test_styles_and_strings_may_be_left_out(part: str) -> None:
    parts = without(hand_made(row(1, text("a")) + row(2, cell("45000", style=3))), part)
    if part == STRINGS_PART:
        parts[SHEET_PART] = str(parts[SHEET_PART]).replace('s="3"', "")
    assert read(zipped(parts)) == [(1, ["a"]), (2, ["45000"])]


@pytest.mark.parametrize("part", list(hand_made("")))
def test_parts_that_are_named_and_missing_are_refused(part: str) -> None:
    parts = hand_made(row(1, text("a")))
    del parts[part]
    assert failure(zipped(parts))[0] == "file.container"


@pytest.mark.parametrize("part", list(hand_made("")))
@pytest.mark.parametrize(
    "content", [b"", b"\x00", b"no xml", b"<a>", b"<a/><b/>", b"\xff\xfe<", b"<a>\xed\xa0\x80</a>"]
)
def test_parts_that_are_no_xml_are_refused(part: str, content: bytes) -> None:
    parts = hand_made(row(1, text("a")))
    parts[part] = content
    assert failure(zipped(parts))[0] == "file.container"


def test_a_part_may_stand_once_only() -> None:
    parts = hand_made(row(1, text("a")))
    assert failure(zipped({**parts, SHEET_PART.upper(): "<worksheet/>"}))[0] == "file.container"


def test_a_sheet_s_name_may_stand_once_only() -> None:
    parts = hand_made(row(1, text("a")))
    main = str(parts["xl/workbook.xml"])
    parts["xl/workbook.xml"] = main.replace("</sheets>", '<sheet name="sales" r:id="rId1"/></sheets>')
    assert failure(zipped(parts))[0] == "file.container"


# Containers


GOOD = zipped(hand_made(row(1, text("a")) + row(2, text("1"))))


def test_nothing_is_empty() -> None:
    assert failure(b"")[0] == "file.empty"
    with pytest.raises(UnreadableError, match=r"file\.empty"):
        sheet_names(io.BytesIO())


def test_an_encrypted_or_old_workbook_is_told_as_one() -> None:
    rule, detail = failure(bytes.fromhex("D0CF11E0A1B11AE1") + bytes(4096))
    assert (rule, "encrypted" in detail, ".xls " in detail) == ("file.container", True, True)


@pytest.mark.parametrize(
    "content",
    [
        b"a,b\n1,2\n",
        b"PK",
        b"PK\x03\x04",
        b"PK\x05\x06" + bytes(18),
        GOOD[:-1],
        GOOD[:-30],
        GOOD[:500],
        GOOD[50:],
        zipped({"a": "b"}),
    ],
)
def test_what_is_no_whole_workbook_is_refused(content: bytes) -> None:
    assert failure(content)[0] == "file.container"


def test_damage_to_packed_bytes_is_found() -> None:
    stored = zipped(hand_made(row(1, text("a")) + row(2, text("needle"))), method=zipfile.ZIP_STORED)
    assert read(stored)[1] == (2, ["needle"])
    assert failure(stored.replace(b"needle", b"noodle"))[0] == "file.container"


@pytest.mark.parametrize("method", [zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA])
def test_other_ways_of_packing_are_refused(method: int) -> None:
    assert failure(zipped(hand_made(row(1, text("a"))), method=method))[0] == "file.container"


def test_a_locked_zip_is_refused() -> None:
    locked = bytearray(GOOD)
    for at in range(len(locked) - 4):
        if locked[at : at + 4] == b"PK\x01\x02":
            locked[at + 8] |= 1
        if locked[at : at + 4] == b"PK\x03\x04":
            locked[at + 6] |= 1
    assert failure(bytes(locked))[0] == "file.container"


# Hostile files


RICH = hand_made(
    row(1, text("a"), text("b"), cell("0", kind="s"), text("d"))
    + row(2, cell("45000.5", style=1), cell("1.5E3"), cell("1", kind="b"), cell("#N/A", kind="e"))
    + row(4, cell("2031-05-04", kind="d"), cell("", formula="A1"), cell("x", kind="str", formula="A1"), "<c/>"),
    after=merge("A7:B9"),
    strings="<si><r><t>c_x0041_</t></r></si>",
    formats=["yyyy-mm-dd"],
)
SNIPPETS = [
    *[
        "<",
        ">",
        "&",
        '"',
        "<row>",
        "</row>",
        '<c t="s">',
        '<c r="ZZ9"><v>1</v></c>',
        "</c>",
        "<v>",
        "</v>",
        "<f/>",
        "<is>",
    ],
    *["<!DOCTYPE a>", "<![CDATA[", "]]>", "<!--", "-->", "<?a?>", "&#x1F600;", "&#0;", "&a;", "x:", 'r="99999999"'],
    *[
        't="d"',
        't="e"',
        "-1",
        "1E999",
        "60",
        "\x00",
        "é",
        "٧",
        "_xD800_",
        "../",
        '<mergeCell ref="A1:A1"/>',
        "date1904",
    ],
]


def outcome(book: bytes) -> None:
    """Read a workbook in every way; anything but records and `UnreadableError` fails the test."""
    try:
        for name in sheet_names(io.BytesIO(book)):
            for record in read_xlsx(io.BytesIO(book), name):
                assert not isinstance(record, Refused)
                "".join(record[1]).encode()  # type: ignore[index]
    except UnreadableError as error:
        assert error.rule in ("file.container", "file.size", "file.header", "file.empty")


@settings(deadline=None, max_examples=200)
@given(data=st.data())
def test_workbooks_with_mutated_parts_give_records_or_are_refused(data: st.DataObject) -> None:
    parts = dict(RICH)
    for _ in range(data.draw(st.integers(1, 4))):
        part = data.draw(st.sampled_from(sorted(parts)))
        content = str(parts[part])
        start = data.draw(st.integers(0, len(content)))
        cut = data.draw(st.sampled_from([0, 0, 1, 2, 5, 20]))
        parts[part] = content[:start] + data.draw(st.sampled_from(SNIPPETS)) + content[start + cut :]
    outcome(zipped(parts))


WORDS = [
    *[
        "",
        " ",
        "0",
        "1",
        "7",
        "-1",
        "60",
        "0.5",
        "1E999",
        "99999999",
        "x",
        "s",
        "d",
        "e",
        "str",
        "inlineStr",
        "A1",
        "B2",
    ],
    *[
        "ZZ9",
        "ZZZZ9",
        "A1:B4",
        "2031-05-04T00:00:00Z",
        "14",
        "22",
        "h",
        "rId1",
        "rId3",
        "../../x",
        "/xl/styles.xml",
        "٧",
    ],
]


@settings(deadline=None, max_examples=200)
@given(data=st.data())
def test_workbooks_with_mutated_values_give_records_or_are_refused(data: st.DataObject) -> None:
    parts = {name: str(content) for name, content in RICH.items()}
    for _ in range(data.draw(st.integers(1, 4))):
        part = data.draw(st.sampled_from([SHEET_PART, SHEET_PART, *sorted(parts)]))
        places = list(re.finditer(r'(?<=")[^"<>]*(?=")|(?<=>)[^<>]+(?=<)', parts[part]))
        place = data.draw(st.sampled_from(places))
        word = data.draw(st.sampled_from(WORDS))
        parts[part] = parts[part][: place.start()] + word + parts[part][place.end() :]
    outcome(zipped(parts))


@settings(deadline=None, max_examples=200)
@given(
    changes=st.lists(st.tuples(st.integers(0, 10**6), st.binary(max_size=4)), min_size=1, max_size=6),
    is_stored=st.booleans(),
)
def test_workbooks_with_mutated_bytes_give_records_or_are_refused(
    changes: list[tuple[int, bytes]], is_stored: bool
) -> None:
    book = zipped(RICH, method=zipfile.ZIP_STORED if is_stored else zipfile.ZIP_DEFLATED)
    for at, replacement in changes:
        start = at % len(book)
        book = book[:start] + replacement + book[start + len(replacement) :]
    outcome(book)


MEBIBYTE = 1 << 20


def repeated(before: str, piece: str, after: str, size: int) -> Iterator[bytes]:
    """A part of some size, a MiB at a time: a piece over and over."""
    block = (piece * (MEBIBYTE // len(piece.encode()) + 1)).encode()
    yield before.encode()
    for _ in range(size // len(block)):
        yield block
    yield after.encode()


def numbered(size: int) -> Iterator[bytes]:
    """A sheet each of whose elements has another name."""
    yield b"<worksheet>"
    for start in range(0, size // 10, 100_000):
        yield "".join(f"<e{at:x}/>" for at in range(start, start + 100_000)).encode()
    yield b"</worksheet>"


SHEET = ("<worksheet><sheetData>", "</sheetData></worksheet>")
WIDE_HEADER = row(1, *[text("a")] * 1000)
BOMBS: dict[str, tuple[str, Iterable[bytes], str]] = {
    "space": (SHEET_PART, repeated(SHEET[0], " " * 1000, SHEET[1], 200 * MEBIBYTE), "file.size"),
    "elements": (SHEET_PART, repeated("<worksheet>", "<a/>", "</worksheet>", 60 * MEBIBYTE), "file.size"),
    "cells": (SHEET_PART, repeated(f"{SHEET[0]}<row>", "<c/>", f"</row>{SHEET[1]}", 60 * MEBIBYTE), "file.size"),
    "wide": (SHEET_PART, repeated(SHEET[0] + WIDE_HEADER, row(None, text("1")), SHEET[1], 8 * MEBIBYTE), "file.size"),
    "long text": (
        SHEET_PART,
        repeated(f"{SHEET[0]}<row><c><v>", "aé😀", f"</v></c></row>{SHEET[1]}", 60 * MEBIBYTE),
        "file.size",
    ),
    "long row": (
        SHEET_PART,
        repeated(f"{SHEET[0]}<row>", text("é" * 30_000), f"</row>{SHEET[1]}", 20 * MEBIBYTE),
        "file.size",
    ),
    "depth": (SHEET_PART, repeated(SHEET[0], "<a>", SHEET[1], 60 * MEBIBYTE), "file.container"),
    "attribute": (SHEET_PART, repeated('<worksheet a="', "a" * 1000, '"/>', 60 * MEBIBYTE), "file.container"),
    "comment": (
        SHEET_PART,
        repeated("<worksheet><!--", "a" * 1000, "--></worksheet>", 60 * MEBIBYTE),
        "file.container",
    ),
    "names": (SHEET_PART, numbered(3 * MEBIBYTE), "file.container"),
    "strings": (
        STRINGS_PART,
        repeated("<sst>", f"<si><t>{'a' * 500_000}😀</t></si>", "</sst>", 60 * MEBIBYTE),
        "file.size",
    ),
    "runs": (
        STRINGS_PART,
        repeated("<sst><si>", f"<r><t>{'a' * 100_000}</t></r>", "</si></sst>", 60 * MEBIBYTE),
        "file.size",
    ),
    "formats": (
        STYLES_PART,
        repeated("<styleSheet><cellXfs>", "<xf/>", "</cellXfs></styleSheet>", 10 * MEBIBYTE),
        "file.size",
    ),
}

PROBE = """
import re, sys
from pathlib import Path
from pipeline.intake.records import UnreadableError
from pipeline.intake.xlsx import read_xlsx

def peak():
    return int(re.search(r"VmHWM:\\s+(\\d+)", Path("/proc/self/status").read_text())[1]) >> 10

before, rule = peak(), ""
try:
    with open(sys.argv[1], "rb") as file:
        for _ in read_xlsx(file, "sales"):
            pass
except UnreadableError as error:
    rule = error.rule
print(rule, peak() - before)
"""


@pytest.mark.parametrize("name", BOMBS)
def test_bombs_are_refused_in_little_memory(name: str, tmp_path: Path) -> None:
    part, content, rule = BOMBS[name]
    bomb = tmp_path / "sales.xlsx"
    bomb.write_bytes(zipped({**hand_made(row(1, text("a"))), part: content}))
    assert bomb.stat().st_size < MEBIBYTE
    told = subprocess.run(
        [sys.executable, "-c", PROBE, str(bomb)], capture_output=True, text=True, check=True, timeout=120
    )
    found, mebibytes = told.stdout.split()
    assert found == rule
    assert int(mebibytes) < 160


def test_a_zip_of_very_many_entries_is_refused() -> None:
    parts = hand_made(row(1, text("a")))
    assert failure(zipped({**parts, **{f"e{at}": "" for at in range(10_001)}}))[0] == "file.size"
    assert failure(zipped({**parts, **{f"{'e' * 250}{at}": "" for at in range(9_000)}}))[0] == "file.container"


def test_a_directory_that_points_before_the_file_is_refused(tmp_path: Path) -> None:
    book = bytearray(GOOD)
    at = book.rindex(b"PK\x05\x06") + 16
    book[at : at + 4] = (int.from_bytes(book[at : at + 4], "little") + 1000).to_bytes(4, "little")
    path = tmp_path / "sales.xlsx"
    path.write_bytes(book)
    with path.open("rb") as file, pytest.raises(UnreadableError, match=r"file\.container"):
        list(read_xlsx(file, "sales"))


def test_a_long_text_shared_by_very_many_cells_is_refused() -> None:
    shared = row(None, *[cell("0", kind="s")] * 500)
    rows = row(1, *[text("a")] * 500) + shared * 34
    assert failure_of(rows, strings=f"<si><t>{'a' * 32_767}</t></si>") == "file.size"
    assert len(read_rows(rows, strings=f"<si><t>{'a' * 30_000}</t></si>")) == 35
