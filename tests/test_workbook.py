"""The workbook to fill in by hand: what its sheets hold, check and say, and that what is typed in reads back.

It is read here as the parts of its archive, and filled in as a spreadsheet program would, by adding cells to a sheet.
"""

import io
import re
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from pathlib import Path
from xml.etree import ElementTree
from xml.sax.saxutils import escape

import duckdb
import pytest

from pipeline import workbook
from pipeline.contract.checks import read_expression
from pipeline.contract.columns import FALSE_WORDS, TRUE_WORDS, Column, Kind, Table
from pipeline.contract.tables import TABLE_BY_NAME, TABLES
from pipeline.contract.vocabulary import SITES
from pipeline.errors import UsageError, UserError
from pipeline.intake.xlsx import read_xlsx, sheet_names
from pipeline.intake.zones import make_time_zones
from pipeline.workbook import write_workbook

Element = ElementTree.Element
DAY_BY_DAY = ("procedures", "follow_ups", "revisits", "sales")
SHEET_LIMIT, MESSAGE_LIMIT, TITLE_LIMIT = 31, 255, 32
"""The most characters of a sheet's name, and of a cell's message and its title, that spreadsheet programs read."""
COLUMNS = [(table.name, column) for table in TABLES for column in table.columns]
each_table = pytest.mark.parametrize("table", TABLES, ids=lambda table: table.name)
each_column = pytest.mark.parametrize(
    ("table", "column"), COLUMNS, ids=[f"{table}.{column.name}" for table, column in COLUMNS]
)


@dataclass(frozen=True)
class Book:
    """A workbook's bytes, and its parts as they stand in the archive."""

    content: bytes

    def part(self, name: str) -> Element:
        with zipfile.ZipFile(io.BytesIO(self.content)) as archive:
            return ElementTree.fromstring(archive.read(name))  # noqa: S314

    @property
    def sheets(self) -> dict[str, str]:
        """The sheets' names in their order, each with its state."""
        found = self.part("xl/workbook.xml").findall("{*}sheets/{*}sheet")
        return {sheet.attrib["name"]: sheet.get("state", "visible") for sheet in found}

    def part_name(self, sheet: str) -> str:
        return f"xl/worksheets/sheet{list(self.sheets).index(sheet) + 1}.xml"

    def sheet(self, name: str) -> Element:
        return self.part(self.part_name(name))

    def texts(self, sheet: str) -> dict[str, str]:
        """The text of each cell that has one, by its place."""
        shared = ["".join(item.itertext()) for item in self.part("xl/sharedStrings.xml")]
        cells = self.sheet(sheet).findall(".//{*}c")
        return {cell.attrib["r"]: shared[int(cell.findtext("{*}v") or "")] for cell in cells if cell.get("t") == "s"}

    def check(self, table: str, name: str) -> Element:
        """The one check of a column's cells."""
        letter = chr(ord("A") + TABLE_BY_NAME[table].column_names.index(name))
        found = self.sheet(table).findall("{*}dataValidations/{*}dataValidation")
        (check,) = [one for one in found if one.attrib["sqref"] == f"{letter}2:{letter}5000"]
        return check

    def styles(self, sheet: str) -> list[str]:
        """The style of each column, as a cell typed into it takes it."""
        return [column.attrib["style"] for column in self.sheet(sheet).findall("{*}cols/{*}col")]

    def style(self, number: str) -> Element:
        return self.part("xl/styles.xml").findall("{*}cellXfs/{*}xf")[int(number)]

    def number_format(self, style: str) -> str:
        """The number format of a style: its code, or the number of a built-in one."""
        number = self.style(style).attrib["numFmtId"]
        codes = {
            one.attrib["numFmtId"]: one.attrib["formatCode"]
            for one in self.part("xl/styles.xml").findall(".//{*}numFmt")
        }
        return codes.get(number, number)

    def words(self, name: str) -> list[str]:
        """The words a defined name leads to."""
        names = {
            one.attrib["name"]: one.text or "" for one in self.part("xl/workbook.xml").findall(".//{*}definedName")
        }
        found = re.fullmatch(r"Lists!\$([A-Z]+)\$2:\$([A-Z]+)\$(\d+)", names[name])
        assert found and found[1] == found[2]
        cells = self.texts("Lists")
        assert f"{found[1]}{int(found[3]) + 1}" not in cells
        return [cells[f"{found[1]}{line}"] for line in range(2, int(found[3]) + 1)]


@cache
def book() -> Book:
    return Book(workbook._content())


@each_table
def test_a_sheet_begins_with_the_columns_of_its_table_and_holds_no_row(table: Table) -> None:
    assert tuple(book().texts(table.name).values()) == table.column_names
    assert [row.attrib["r"] for row in book().sheet(table.name).findall(".//{*}row")] == ["1"]


def test_every_table_has_a_sheet_and_what_happens_daily_comes_first(tmp_path: Path) -> None:
    shown = write_workbook(tmp_path / "records.xlsx")
    assert shown[:5] == ("Read me", *DAY_BY_DAY)
    assert sorted(shown[1:]) == sorted(table.name for table in TABLES)
    written = Book((tmp_path / "records.xlsx").read_bytes())
    assert written.sheets == dict.fromkeys(shown, "visible") | {"Lists": "hidden"}
    assert list(written.sheets) == [*shown, "Lists"]
    assert max(map(len, written.sheets)) <= SHEET_LIMIT


@each_table
def test_the_header_stays_in_sight(table: Table) -> None:
    pane = book().sheet(table.name).find("{*}sheetViews/{*}sheetView/{*}pane")
    assert pane is not None
    assert (pane.attrib["ySplit"], pane.attrib["topLeftCell"], pane.attrib["state"]) == ("1", "A2", "frozen")


@each_column
def test_required_names_are_bold_and_stand_above_a_thick_line(table: str, column: Column) -> None:
    at = TABLE_BY_NAME[table].column_names.index(column.name)
    cell = book().sheet(table).findall(".//{*}c")[at]
    style, styles = book().style(cell.attrib["s"]), book().part("xl/styles.xml")
    is_bold = styles.findall("{*}fonts/{*}font")[int(style.attrib["fontId"])].find("{*}b") is not None
    line = styles.findall("{*}borders/{*}border")[int(style.attrib["borderId"])].find("{*}bottom")
    assert line is not None
    assert (is_bold, line.get("style") == "thick") == (column.required, column.required)


@each_column
def test_a_name_fits_its_column(table: str, column: Column) -> None:
    at = TABLE_BY_NAME[table].column_names.index(column.name)
    width = float(book().sheet(table).findall("{*}cols/{*}col")[at].attrib["width"])
    assert width > max(len(text) for text in (column.name, *(column.words if column.kind is Kind.WORD else ())))


@each_column
def test_text_stays_text_and_dates_show_year_month_day(table: str, column: Column) -> None:
    at = TABLE_BY_NAME[table].column_names.index(column.name)
    as_text, general = "49", "0"  # built-in formats: ISO/IEC 29500-1, 18.8.30 (from memory)
    expected = {
        Kind.WHOLE: "1",
        Kind.DECIMAL: general,
        Kind.DATE: "yyyy-mm-dd",
        Kind.TIME: "yyyy-mm-dd hh:mm",
    }
    assert book().number_format(book().styles(table)[at]) == expected.get(column.kind, as_text)


@each_column
def test_cells_are_checked_as_their_kind(table: str, column: Column) -> None:
    check = book().check(table, column.name)
    limits = [check.findtext("{*}formula1"), check.findtext("{*}formula2")]
    match column.kind:
        case Kind.WORD | Kind.FLAG:
            assert check.get("type") == "list"
        case Kind.WHOLE | Kind.DECIMAL:
            assert check.get("type") == column.kind.value
            assert [int(limit or "") for limit in limits] == list(column.bounds or ())
        case Kind.DATE | Kind.TIME:  # days since 1899-12-30
            assert (check.get("type"), limits) == ("date", ["32874", "73051"])
        case Kind.ID | Kind.CODE:
            cell = check.attrib["sqref"].split(":")[0]
            assert check.get("type") == "custom"
            assert limits == [f'AND(LEN({cell})<=200,ISERROR(FIND(":",{cell})))', None]
        case _:
            assert (check.get("type"), limits) == (None, [None, None])
    assert check.get("operator", "between") == "between"
    assert (check.get("errorStyle", "stop"), check.get("showErrorMessage")) == ("stop", "1")


def test_the_days_of_the_checks() -> None:
    assert [serial(datetime(1990, 1, 1)), serial(datetime(2100, 1, 1))] == [32874, 73051]


@each_column
def test_cells_offer_the_words_of_the_contract(table: str, column: Column) -> None:
    if column.kind in (Kind.WORD, Kind.FLAG):
        words = book().words(book().check(table, column.name).findtext("{*}formula1") or "")
        assert words == list(column.words or ("yes", "no"))


def test_only_what_cells_offer_is_listed() -> None:
    names = [one.attrib["name"] for one in book().part("xl/workbook.xml").findall(".//{*}definedName")]
    offered = [f"{table}_{column.name}" for table, column in COLUMNS if column.kind in (Kind.WORD, Kind.FLAG)]
    assert sorted(names) == sorted(offered)


@each_table
def test_codes_of_digits_are_not_marked_as_mistakes(table: Table) -> None:
    (ignored,) = book().sheet(table.name).findall("{*}ignoredErrors/{*}ignoredError")
    last = chr(ord("A") + len(table.columns) - 1)
    assert ignored.attrib == {"sqref": f"A2:{last}5000", "numberStoredAsText": "1"}


def test_flags_are_words_the_contract_reads() -> None:
    assert "yes" in TRUE_WORDS
    assert "no" in FALSE_WORDS


@each_column
def test_a_cell_says_what_belongs_in_it_and_what_to_do(table: str, column: Column) -> None:
    check = book().check(table, column.name)
    said, refused = check.attrib["prompt"], check.attrib["error"]
    assert check.attrib["promptTitle"] == check.attrib["errorTitle"] == column.name
    assert said.casefold().startswith(column.meaning.casefold())
    how = re.fullmatch("(Write .*?)(, or leave the cell empty)?[.]", refused)
    assert how and how[1] in said
    assert bool(how[2]) == (not column.required)
    assert ("not in the future" in said) == column.past
    assert said.endswith(" Required.") == column.required
    assert ("One of" in said) == (column.name in TABLE_BY_NAME[table].one_of)
    assert max(len(said), len(refused)) <= MESSAGE_LIMIT
    assert len(column.name) <= TITLE_LIMIT


def test_a_cell_of_sites_names_them() -> None:
    assert f"Sites: {', '.join(SITES)}." in book().check("practitioners", "trained_sites").attrib["prompt"]


def test_read_me_explains_every_column() -> None:
    cells = book().texts("Read me")
    (top,) = [int(place[1:]) for place, text in cells.items() if text == "how it is written"]
    lines = range(top, top + 1 + len(COLUMNS))
    rows = [tuple(cells.get(f"{letter}{line}", "") for letter in "ABCDEF") for line in lines]
    assert rows[0] == ("sheet", "column", "meaning", "how it is written", "required", "allowed values")
    explained = {(table, name): others for table, name, *others in rows[1:]}
    tables = [TABLE_BY_NAME[name] for name in book().sheets if name in TABLE_BY_NAME]
    assert list(explained) == [(table.name, name) for table in tables for name in table.column_names]
    for table, column in COLUMNS:
        meaning, written, required, allowed = explained[table, column.name]
        one_of = TABLE_BY_NAME[table].one_of
        needed = f"one of {', '.join(one_of)}" if column.name in one_of else "yes" if column.required else "no"
        assert (meaning, required) == (column.meaning, needed)
        assert written
        assert all(word in allowed.split(", ") for word in column.words)
    assert explained["follow_ups", "severity"][3] == "0 to 4"
    assert explained["follow_ups", "stud_removed"][3] == "yes, no"


def test_read_me_says_what_each_sheet_holds() -> None:
    assert {f"{table.name}: {table.meaning}" for table in TABLES} <= set(book().texts("Read me").values())


def test_nothing_in_it_runs_or_leads_elsewhere() -> None:
    with zipfile.ZipFile(io.BytesIO(book().content)) as archive:
        texts = {name: archive.read(name).decode() for name in archive.namelist()}
    assert not [name for name in texts if re.search("vba|macro|external|drawing|connection|embed", name, re.I)]
    assert not [name for name, text in texts.items() if re.search("TargetMode|<hyperlink|<f>|<f ", text)]


def test_the_same_contract_gives_the_same_bytes(tmp_path: Path) -> None:
    for name in ("one.xlsx", "two.xlsx"):
        write_workbook(tmp_path / name)
    assert (tmp_path / "one.xlsx").read_bytes() == (tmp_path / "two.xlsx").read_bytes()
    made = [one.text for one in book().part("docProps/core.xml") if one.tag.endswith(("created", "modified"))]
    assert made == ["2000-01-01T00:00:00Z"] * 2


def test_a_new_column_needs_no_change(monkeypatch: pytest.MonkeyPatch) -> None:
    words = tuple(f"a_rather_long_word_{number}" for number in range(40))
    columns = tuple(Column(f"a_{kind}", kind, "new", words=words if kind is Kind.WORD else ()) for kind in Kind)
    monkeypatch.setattr(workbook, "SHEETS", (Table("novelties", "one row for each", ("a_id",), columns),))
    new = Book(workbook._content())
    assert new.words("novelties_a_word") == list(words)
    assert len(",".join(words)) > MESSAGE_LIMIT


@pytest.mark.parametrize("name", ["records.xls", "records", "records.XLSX", "records.xlsx.gz", ".xlsx"])
def test_a_name_must_end_in_xlsx(tmp_path: Path, name: str) -> None:
    with pytest.raises(UsageError, match=r"ends in \.xlsx"):
        write_workbook(tmp_path / name)
    assert not list(tmp_path.iterdir())


def test_what_is_there_stays(tmp_path: Path) -> None:
    path = tmp_path / "records.xlsx"
    path.write_bytes(b"a month of work")
    with pytest.raises(UsageError, match=r"already there.*Name a new file"):
        write_workbook(path)
    assert path.read_bytes() == b"a month of work"


@pytest.mark.parametrize("folder", ["missing", "file"])
def test_a_folder_must_be_there(tmp_path: Path, folder: str) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(UsageError, match=f"no folder .*{folder}.*Make it"):
        write_workbook(tmp_path / folder / "records.xlsx")


def test_a_full_disk_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    class Full(io.BytesIO):
        def write(self, _: object) -> int:
            raise OSError(28, "No space left on device")

    def open_full(path: Path, mode: str) -> Full:
        path.touch()
        assert mode == "xb"
        return Full()

    monkeypatch.setattr(Path, "open", open_full)
    with pytest.raises(UserError, match="No space left") as raised:
        write_workbook(tmp_path / "records.xlsx")
    assert raised.value.exit_code == 1
    assert not list(tmp_path.iterdir())


def serial(time: datetime) -> float:
    """A time as spreadsheet programs keep it: days since 1899-12-30 (from 1900-03-01 on)."""
    return (time - datetime(1899, 12, 30)).total_seconds() / 86_400


def typed(value: str | float | datetime, place: str, style: str) -> str:
    """The cell that typing a value into an empty one of this style makes."""
    if isinstance(value, str):
        return f'<c r="{place}" s="{style}" t="inlineStr"><is><t>{escape(value)}</t></is></c>'
    return f'<c r="{place}" s="{style}"><v>{serial(value) if isinstance(value, datetime) else value}</v></c>'


def fill_in(book: Book, sheet: str, rows: Mapping[int, Mapping[str, str | float | datetime]]) -> Book:
    """The book with rows typed into a sheet: for each row of the sheet, values by the names of their columns."""
    names, styles = TABLE_BY_NAME[sheet].column_names, book.styles(sheet)
    lines = ""
    for line, row in rows.items():
        cells = [typed(row[name], f"{chr(65 + at)}{line}", styles[at]) for at, name in enumerate(names) if name in row]
        lines += f'<row r="{line}">{"".join(cells)}</row>'
    filled = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(book.content)) as old, zipfile.ZipFile(filled, "w") as new:
        for name in old.namelist():
            text = old.read(name).decode()
            if name == book.part_name(sheet):
                assert text.count("</row></sheetData>") == 1
                text = text.replace("</row></sheetData>", f"</row>{lines}</sheetData>")
            new.writestr(name, text)
    return Book(filled.getvalue())


def example(column: Column) -> tuple[str | float | datetime, str]:
    """What may be typed into a column, and the text that an export would have there."""
    examples: dict[Kind, tuple[str | float | datetime, str]] = {
        Kind.ID: ("007", "007"),
        Kind.CODE: ("0012/b", "0012/b"),
        Kind.CLIENT: ("00042", "00042"),
        Kind.TEXT: ("1.50 & <more>", "1.50 & <more>"),
        Kind.SITES: ("lobe;helix", "lobe;helix"),
        Kind.ZONE: ("UTC", "UTC"),
        Kind.WHOLE: (3, "3"),
        Kind.DECIMAL: (-12.5, "-12.5"),
        Kind.DATE: (datetime(2031, 5, 4), "2031-05-04"),
        Kind.TIME: (datetime(2031, 5, 4, 16, 35), "2031-05-04T16:35:00"),
        Kind.FLAG: ("yes", "yes"),
    }
    return (column.words[-1], column.words[-1]) if column.kind is Kind.WORD else examples[column.kind]


@each_table
def test_what_is_typed_in_reads_as_an_export(table: Table) -> None:
    full = {column.name: example(column)[0] for column in table.columns}
    required = {name: full[name] for name in table.required_columns}
    filled = fill_in(book(), table.name, {2: full, 4: required})
    assert set(TABLE_BY_NAME) <= set(sheet_names(io.BytesIO(filled.content)))
    texts = {column.name: example(column)[1] for column in table.columns}
    assert list(read_xlsx(io.BytesIO(filled.content), table.name)) == [
        (1, list(table.column_names)),
        (2, [texts[name] for name in table.column_names]),
        (4, [texts[name] if name in required else "" for name in table.column_names]),
    ]


@each_table
def test_an_empty_sheet_is_a_header_alone(table: Table) -> None:
    assert list(read_xlsx(io.BytesIO(book().content), table.name)) == [(1, list(table.column_names))]


def test_midnight_is_a_time_where_a_time_belongs() -> None:
    filled = fill_in(book(), "stock_counts", {2: {"counted_at": datetime(2031, 5, 4)}})
    row = (2, ["", "", "2031-05-04T00:00:00", "", ""])
    assert list(read_xlsx(io.BytesIO(filled.content), "stock_counts"))[1:] == [row]


@each_column
def test_the_examples_read_as_their_kind(table: str, column: Column) -> None:
    with duckdb.connect() as con:
        make_time_zones(con)
        read = con.execute(f"select {read_expression(column, '$text')}", {"text": example(column)[1]}).fetchall()
    assert read[0][0] is not None, table
