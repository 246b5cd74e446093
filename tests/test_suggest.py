"""Lines suggested for an unknown file: right where the file tells, open where not, never a cell's content."""

import gzip
import tomllib

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from pipeline.contract.tables import TABLES
from pipeline.settings import Settings, source_for
from pipeline.sources import Source
from pipeline.suggest import HEAD_BYTES, HEADINGS, suggest

COLUMNS = {column.name: column for table in TABLES for column in table.columns}
TILL = (
    "Tagesbericht\n\nBon-Nr;Pos;Datum;Filiale;Kunden-Nr.;Artikel-Nr;Charge;Menge;Netto-Betrag;W\u00e4hrung;Belegart;MwSt\n"
    "4711;1;23.04.2031 10:30;Mitte;Quibble;A12;c9;2;1.234,50;EUR;Verkauf;19\n"
    "4712;1;05.05.2031 10:30;Mitte;;A12;c9;2;12,50;EUR;Storno;19\n"
)


untimed = settings(deadline=None)


def source(text: str) -> Source:
    """The one source of suggested lines."""
    (found,) = Settings.model_validate(tomllib.loads(text)).sources
    return found


def dated(*dates: str, header: str = "lot_no,received_on", name: str = "lots.csv") -> str:
    return suggest(name, f"{header}\n{''.join(f'L,{day}{chr(10)}' for day in dates)}".encode())


def test_a_till_s_file_is_told_whole() -> None:
    text = suggest("till/Verkauf_2031-05-04.csv", TILL.encode("cp1252"))
    found = source(text)
    assert (found.table, found.encoding, found.delimiter, found.skip_lines) == ("sales", "cp1252", ";", 2)
    assert (found.decimal_mark, found.thousands_mark) == (",", ".")
    assert (found.date_format, found.time_format) == (None, "DD.MM.YYYY HH:mm")
    assert found.columns == {
        "sale_id": "Bon-Nr",
        "line_no": "Pos",
        "sold_at": "Datum",
        "branch_id": "Filiale",
        "client_key": "Kunden-Nr.",
        "product_id": "Artikel-Nr",
        "batch_no": "Charge",
        "quantity": "Menge",
        "net_amount": "Netto-Betrag",
        "currency": "W\u00e4hrung",
        "line_type": "Belegart",
    }
    assert '# Columns not used: "MwSt"' in text
    assert "# Words looked at under line_type that are none of sale, refund, void, gift, bundle_part: 2." in text


def test_the_pattern_fits_the_file_and_the_next_day_s() -> None:
    found = source(suggest("till/Verkauf_2031-05-04.csv", TILL.encode()))
    assert found.fits("till/Verkauf_2031-05-04.csv")
    assert found.fits("till/Verkauf_2031-05-05.csv")
    assert not found.fits("till/Einkauf_2031-05-05.csv")
    assert not found.fits("Verkauf_2031-05-04.csv")


@pytest.mark.parametrize("name", ["x[a].csv", "x*.csv", "x?/[!b]*.csv", "7/7.csv", "[.csv", "x].csv", "**.csv"])
def test_the_pattern_fits_names_that_look_like_patterns(name: str) -> None:
    found = source(suggest(name, TILL.encode()))
    assert found.fits(name)
    assert not found.fits(name.replace("x", "xy").replace("[", "").replace("*", "y") + "z")


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_the_encoding_is_told_from_the_bytes(encoding: str) -> None:
    found = source(suggest("x.csv", TILL.encode(encoding)))
    assert found.encoding == encoding.removesuffix("-sig")
    assert found.columns["currency"] == "W\u00e4hrung"


def test_a_gzipped_file_is_looked_into() -> None:
    assert source(suggest("x.csv.gz", gzip.compress(TILL.encode()))).columns["sale_id"] == "Bon-Nr"
    assert "no CSV" in suggest("x.csv.gz", b"\x1f\x8bbroken")


@pytest.mark.parametrize(("delimiter", "told"), [(";", ";"), ("\t", "\t"), ("|", "|"), (",", ",")])
def test_the_delimiter_is_told_from_the_header(delimiter: str, told: str) -> None:
    text = TILL.replace(",", "").replace(";", delimiter)
    assert source(suggest("x.csv", text.encode())).delimiter == told


def test_a_table_named_by_the_file_needs_no_line() -> None:
    text = suggest("lots_1.csv", b"Charge,Artikel,Menge\nL1,A1,3\n")
    assert source(text).table is None
    assert source(text).columns == {"lot_no": "Charge", "article_id": "Artikel", "quantity": "Menge"}


def test_the_best_table_lacks_little_and_finds_much() -> None:
    assert source(suggest("x.csv", b"product_id,category,quantity,batch_no\nA,other,1,B\n")).table == "products"
    assert source(suggest("x.csv", b"sale_id,product_id,sold_at,quantity,batch_no\nS,A,,1,B\n")).table == "sales"


def test_no_header_stands_for_two_columns() -> None:
    text = suggest("revisits.csv", b"revisit_id,branch_id,starts_at,status\nR,B,2031-05-04T10:00,booked\n")
    assert "# No column was found for visit_id" in text
    assert source(text).columns == {}


def test_a_required_column_that_is_not_found_is_left_to_decide() -> None:
    text = suggest("procedures_1.csv", b"procedure_id,visit_id,Datum,Stelle,Kasse\nP,V,2031-05-04T10:00,lobe,1\n")
    assert "# No column was found for branch_id, which every row needs" in text
    assert source(text).columns == {"performed_at": "Datum", "site": "Stelle"}
    assert source(text).constants == {}


def test_one_of_several_columns_is_needed() -> None:
    assert "any of visit_id, procedure_id, client_key" in suggest("follow_ups.csv", b"follow_up_id,outcome\nF,well\n")


def test_a_name_that_is_only_alike_is_to_be_checked() -> None:
    text = suggest("lots.csv", b"lot_no,expires_on,recieved_on\nL,2031-05-04,2031-05-04\n")
    assert 'columns.received_on = "recieved_on"  # only alike: check' in text


def test_a_date_that_fits_two_orders_is_left_to_a_person() -> None:
    text = dated("04/05/2031", "12/11/2031", "07/07/2031")
    assert '# either "DD/MM/YYYY" or "MM/DD/YYYY": every date looked at fits both' in text
    assert '# date_format = "DD/MM/YYYY"' in text
    assert '# date_format = "MM/DD/YYYY"' in text
    assert source(text).date_format is None


@pytest.mark.parametrize("first", ["07/07/2031", "1/2/2031"])
def test_one_date_alone_never_settles_the_order(first: str) -> None:
    assert source(dated(first)).date_format is None


@pytest.mark.parametrize(
    ("dates", "form"),
    [
        (["04/05/2031", "13/05/2031"], "DD/MM/YYYY"),
        (["04/05/2031", "05/13/2031"], "MM/DD/YYYY"),
        (["4.5.2031", "31.12.2031"], "D.M.YYYY"),
        (["4. 5. 2031", "31. 12. 2031"], "D. M. YYYY"),
        (["20310504"], "YYYYMMDD"),
        (["2031/05/04"], "YYYY/MM/DD"),
        (["2031-05-04"], None),
        (["2031-05-04", "", "2031-05-05"], None),
    ],
)
def test_a_format_is_set_where_only_one_fits(dates: list[str], form: str | None) -> None:
    text = dated(*dates)
    assert source(text).date_format == form
    assert "# either" not in text


@pytest.mark.parametrize("day", ["04.05.31", "soon", "31.02.2031", "2031-02-30"])
def test_where_no_format_fits_it_is_said(day: str) -> None:
    assert "No date_format fits every date looked at" in dated(day)


def test_a_day_that_is_later_than_the_last_looked_at_settles_nothing() -> None:
    assert source(dated(*["04/05/2031"] * 50, "13/05/2031")).date_format is None
    assert source(dated(*["04/05/2031"] * 49, "13/05/2031")).date_format == "DD/MM/YYYY"


def test_day_numbers_are_left_to_a_person() -> None:
    text = dated("47970", "47971")
    assert "# serial_dates = 1900" in text
    assert "# serial_dates = 1904" in text
    assert source(text).serial_dates is None


@pytest.mark.parametrize(
    ("time", "form"),
    [
        ("23.05.2031 9:30", "DD.MM.YYYY HH:mm"),
        ("23/05/2031, 09:30:07", "DD/MM/YYYY, HH:mm:ss"),
        ("5/23/2031 9:30 PM", "M/D/YYYY hh:mm AM"),
        ("2031-05-23 09:30", "YYYY-MM-DD HH:mm"),
        ("2031-05-23T09:30:07Z", None),
        ("2031-05-23T09:30", None),
    ],
)
def test_a_time_s_format_is_told(time: str, form: str | None) -> None:
    text = suggest("stock_counts.csv", f'branch_id,lot_no,counted_at,on_hand\nB,L,"{time}",3\n'.encode())
    assert source(text).time_format == form


@pytest.mark.parametrize("time", ["23.05.2031", "23.05.2031 25:00", "23.05.2031 13:30 PM", "23.05.2031 0:30 AM"])
def test_a_time_that_is_none_is_said(time: str) -> None:
    text = suggest("stock_counts.csv", f"branch_id,lot_no,counted_at,on_hand\nB,L,{time},3\n".encode())
    assert "No time_format fits" in text


@pytest.mark.parametrize(
    ("prices", "marks", "is_open"),
    [
        (["12", "-3"], (".", None), False),
        (["12.50", "3"], (".", None), False),
        (["12,50", "3"], (",", None), False),
        (["1.234,50"], (",", "."), False),
        (["1,234.50"], (".", ","), False),
        (["1 234,50"], (",", " "), False),
        (["1'234.50"], (".", "'"), False),
        (["1,234"], (".", None), True),
        (["1.234"], (".", None), True),
        (["0.000"], (".", None), True),
    ],
)
def test_number_marks_are_told_or_left_open(prices: list[str], marks: tuple[str, str | None], is_open: bool) -> None:
    lines = "".join(f"A;{price}\n" for price in prices)
    text = suggest("products.csv", f"product_id;list_price\n{lines}".encode())
    assert (source(text).decimal_mark, source(text).thousands_mark) == marks
    assert ("# either decimal_mark" in text) == is_open


def test_numbers_with_a_currency_are_said() -> None:
    assert "Not every number is digits" in suggest("products.csv", "product_id;list_price\nA;12,50 \u20ac\n".encode())


def test_a_name_twice_in_the_header_is_said() -> None:
    assert '# "lot_no" stands twice' in suggest("lots.csv", b"lot_no,lot_no,quantity\nL,M,3\n")


@pytest.mark.parametrize(
    ("name", "head"),
    [
        ("a.xlsx", b"PK\x03\x04"),
        ("a.parquet", b"PAR1"),
        ("lots.jsonl", b'{"lot_no": "L"}\n'),
        ("a.csv", b"\xd0\xcf\x11\xe0\xa1"),
        ("a.csv", b""),
        ("a.csv", b"l\0o\0t\0"),
        ("a.csv", b"\n\n\n"),
        ("lots.csv", b"lot_no\nL\n"),
        ("lots.csv", b"L1,B1,A1\nL2,B2,A2\n"),
        ("lots.csv", b"L1,Charge,A1\nL2,B2,A2\n"),
    ],
)
def test_of_other_files_it_is_only_said_what_they_are_not(name: str, head: bytes) -> None:
    text = suggest(name, head)
    assert text.startswith(f'# "{name}" ')
    assert text.count("\n") == 1


def test_a_file_without_a_header_publishes_nobody() -> None:
    text = suggest("sales.csv", b"4711,1,2031-05-04T10:00,Quibble,Menge\n4712,1,2031-05-04T10:00,Murk,Menge\n")
    assert "is there a header" in text
    assert "Quibble" not in text


@pytest.mark.parametrize("cell", ["0176 1234567", "quibble@murk.example", "x" * 70])
def test_a_name_that_may_be_a_cell_is_told_by_its_place(cell: str) -> None:
    text = suggest("lots.csv", f"lot_no,quantity,{cell}\nL,3,4\n".encode())
    assert cell not in text
    assert "# Columns not used: column 3" in text


names = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="/"), min_size=1, max_size=20)
CELL = st.text("kqxz0123456789.,/ -", min_size=6, max_size=12).map(lambda text: f"qz{text}zq")


@untimed
@given(names, st.lists(st.lists(CELL, min_size=12, max_size=12), min_size=1, max_size=5), st.sampled_from(";\t|"))
def test_no_cell_is_ever_shown(name: str, rows: list[list[str]], delimiter: str) -> None:
    lines = TILL.split("\n")[2:3] + [";".join(row) for row in rows]
    text = suggest(f"x{name}.csv", "\n".join(lines).replace(";", delimiter).encode())
    assert source(text).fits(f"x{name}.csv") or "\\" in name
    assert not any(cell.strip() in text for row in rows for cell in row)


@untimed
@given(names, st.binary(max_size=300))
@example("lots.csv", b'lot_no,quantity,"a\nb"\nL,3,4\n')
@example('a"\n[[sources]]\n.csv', b"lot_no,quantity,received_on\nL,3,\n")
@example("lots_[1]*.csv", b"lot_no,quantity,\x7f\nL,3,\n")
def test_whatever_the_bytes_the_lines_are_settings(name: str, head: bytes) -> None:
    Settings.model_validate(tomllib.loads(suggest(name, head)))


@untimed
@given(st.binary(max_size=200))
def test_whatever_stands_below_a_header_the_lines_are_settings(body: bytes) -> None:
    found = Settings.model_validate(tomllib.loads(suggest("lots_7.csv", b"lot_no,quantity,received_on\n" + body)))
    assert source_for(found, "lots_7.csv").table is None


def test_no_more_is_looked_at_than_the_head() -> None:
    rows = b"L,04/05/2031\n" * HEAD_BYTES
    assert source(suggest("lots.csv", b"lot_no,received_on\n" + rows)).date_format is None
    assert "is there a header" in suggest("lots.csv", b"\n" * HEAD_BYTES + b"lot_no,received_on\n" + rows)


def test_a_record_cut_off_by_the_head_s_end_does_not_count() -> None:
    row = b"L," + b"x" * 3000 + b",13/05/2031\n"
    for shift in range(len(row)):
        if shift % 500 == 0 or shift > 2990:
            head = b"lot_no,article_id,received_on\n" + b"L,," + b"13/05/2031\nL," + b"y" * shift + b",\n" + row * 40
            assert source(suggest("lots.csv", head)).date_format == "DD/MM/YYYY"


def test_a_character_cut_off_by_the_head_s_end_does_no_harm() -> None:
    for shift in range(2):
        head = ("lot_no,Menge\n" + "x" * shift + "L\u00e4,3\n" * HEAD_BYTES).encode()
        assert source(suggest("lots.csv", head)).encoding == "utf-8"


def test_headings_are_of_columns_and_are_no_words_a_cell_may_hold() -> None:
    words = {word for column in COLUMNS.values() for word in column.words}
    assert set(HEADINGS) <= set(COLUMNS)
    assert {
        heading.strip().lower() for headings in HEADINGS.values() for heading in headings.split(",")
    } & words == set()
