"""Nothing is lost: every record of every file is accepted, rejected, duplicate or superseded, and counted once."""

import gzip
from datetime import timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

import duckdb
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.intake import checking
from support.exports import NOW, Nights, csv_text, export, record_lines, row, undone

LOTS = "lot_no,branch_id,quantity,received_on,expires_on\n"

NASTY = {
    "good and bad": f"{LOTS}L1,B1,1,2024-01-05,\nL2,B1,many,,\nL3,B1,1,soon,\n,B1,1,,\n",
    "quotes and line ends": f'{LOTS}"L\n1",B1,1,,\n"L""2",B1,1,,\r\n"L,3","B\r1",1,,\rL4,B1,1,,',
    "ragged": f"{LOTS}L1\nL2,B1,1,,,\n,,,,\n\n\n  \nL3,B1,1,,\nL4,B1,1,,\n,\n",
    "repeats": f"{LOTS}L1,B1,1,,\n l1 , B1 ,1.0,,\nL1,B1,2,,\nL1,B1,1,,\nL1,,1,,\nL1,,2,,\n",
    "byte order mark": f"\ufeff{LOTS}L1,B1,1,,\n",
    "nul and controls": f"{LOTS}L\0,B1,1,,\nL1,B\x1f1,1,,\nL2,B1,1,,\n",
    "quoted blanks": 'lot_no\nL1\n""\n"\n"\n" "\nL2\n',
    "header only": LOTS,
    "undeclared": 'lot_no,note\nL1,"a,b\nc"\nL2,d,e\n',
}


@pytest.mark.parametrize("text", NASTY.values(), ids=NASTY.keys())
def test_the_fates_of_a_file_s_rows_add_up_to_the_records_an_independent_reader_counts(
    nights: Nights, text: str
) -> None:
    nights.take({"lots.csv": text})
    rows, *fates = nights.counts("lots.csv")
    assert rows == sum(fates) == len(record_lines(text)) - 1
    assert min(fates) >= 0


def test_each_record_is_kept_or_refused_on_the_line_it_begins_on(nights: Nights) -> None:
    text = f'{LOTS}"L\n1",B1,1,,\n\n"L2",B1,"9\n9",,\nL3\nL4,B1,1,,\n'
    nights.take({"lots.csv": text})
    refused = {line for line, *_ in nights.refused("lots.csv")}
    assert nights.values("lots", "line") == [(8,)]
    assert refused == {2, 5, 7}
    assert record_lines(text)[1:] == [2, 5, 7, 8]


@pytest.mark.parametrize("n_rows", [1, 2, 5])
def test_steps_of_any_size_give_the_same_rows_and_reasons(
    nights: Nights, monkeypatch: pytest.MonkeyPatch, n_rows: int
) -> None:
    text = LOTS + "".join(f"L{at},B1,{'many' if at % 4 == 2 else at},,\n" for at in range(12))
    monkeypatch.setattr(checking, "_ROW_GROUP", n_rows)
    monkeypatch.setattr(checking, "_NAMED_ROWS", n_rows)
    nights.take({"lots.csv": text, "lots_2.csv": text.replace("L", "M").replace("Mot_no", "lot_no")})
    assert nights.counts("lots.csv") == nights.counts("lots_2.csv") == (12, 9, 3, 0, 0)
    good = [at for at in range(12) if at % 4 != 2]
    assert nights.values("lots", "lot_no", "quantity") == [(f"{name}{at}", at) for name in "LM" for at in good]
    assert nights.refused("lots.csv") == [(at + 2, "quantity", "whole.form") for at in (2, 6, 10)]


CELL = st.sampled_from(["L1", "L2", " l1 ", "", "B1", "1", "1.0", "2", "x", "2024-01-05", 'a"b', "a\nb", "a,b", ":"])
RECORD = st.lists(CELL, min_size=3, max_size=6).map(lambda cells: ",".join(quoted(cell) for cell in cells))
LINE = st.one_of(RECORD, st.sampled_from(["", "  ", '""', '"\n"', ","]), st.text(alphabet='L1,"\n\r ', max_size=12))
FILE = st.lists(LINE, max_size=8).map(lambda lines: LOTS + "\n".join(lines))


def quoted(cell: str) -> str:
    return '"' + cell.replace('"', '""') + '"' if set('",\n') & set(cell) else cell


@settings(deadline=None, max_examples=25)
@given(files=st.lists(FILE, min_size=1, max_size=4))
def test_nothing_is_lost_of_any_files(shared_store: duckdb.DuckDBPyConnection, files: list[str]) -> None:
    with undone(shared_store) as con, TemporaryDirectory() as folder:
        nights = Nights(con, Path(folder))
        delivered = {f"lots_{at}.csv": text for at, text in enumerate(files)}
        nights.take(delivered)
        n_kept = 0
        for name, text in delivered.items():
            rows, accepted, rejected, duplicate, superseded = nights.counts(name)
            assert rows == accepted + rejected + duplicate + superseded
            assert rows == len(record_lines(text)) - 1 or is_unreadable(nights, name)
            n_kept += accepted + superseded
        assert n_kept == len(nights.values("lots", "seq"))
        assert not nights.take(now=NOW + timedelta(days=1)).is_something


def is_unreadable(nights: Nights, name: str) -> bool:
    return [(line, rule) for line, _, rule in nights.refused(name)] == [(0, "file.quote_open")]


UNREADABLE = {
    "no bytes": (b"", "file.empty"),
    "no header": (b"\n", "file.header"),
    "no such column": (b"lot\nL1\n", "file.column_missing"),
    "column twice": (b"lot_no,lot_no\nL1,L2\n", "file.column_twice"),
    "open quote at the end": (f'{LOTS}L1,B1,1,,\nL2,"B1,1,,\n'.encode(), "file.quote_open"),
    "bad byte at the end": (f"{LOTS}L1,B1,1,,\nL2,B\xe9,1,,\n".encode("cp1252"), "file.encoding"),
}


@pytest.mark.parametrize(("content", "rule"), UNREADABLE.values(), ids=UNREADABLE.keys())
def test_nothing_of_a_file_that_cannot_be_read_counts(nights: Nights, content: bytes, rule: str) -> None:
    nights.take({"lots_1.csv": content, "lots_2.csv": export("lots", {})})
    assert nights.counts("lots_1.csv") == (0, 0, 0, 0, 0)
    assert nights.refused("lots_1.csv") == [(0, "", rule)]
    assert nights.values("lots", "lot_no") == [("L1",)]
    assert nights.counts("lots_2.csv") == (1, 1, 0, 0, 0)


def test_a_compressed_file_cut_short_counts_for_nothing(nights: Nights) -> None:
    whole = gzip.compress(csv_text(row("lots", lot_no=f"L{at}") for at in range(500)).encode())
    nights.take({"lots_1.csv.gz": whole[: len(whole) * 2 // 3]})
    assert nights.counts("lots_1.csv.gz") == (0, 0, 0, 0, 0)
    assert nights.refused("lots_1.csv.gz") == [(0, "", "file.container")]
    nights.take({"lots_1.csv.gz": whole})
    assert len(nights.values("lots", "seq")) == 500


def test_a_file_that_cannot_be_read_is_read_once_another_takes_its_place(nights: Nights) -> None:
    nights.take({"lots.csv": f'{LOTS}L1,"B1,1,,\n'})
    nights.take({"lots.csv": f'{LOTS}L1,"B1",1,,\n'}, now=NOW + timedelta(days=1))
    counts = nights.con.execute("select is_readable, rows, accepted from file order by file_id").fetchall()
    assert counts == [(False, 0, 0), (True, 1, 1)]
    assert nights.values("lots", "lot_no", "branch_id") == [("L1", "B1")]


def test_a_file_that_still_cannot_be_read_is_no_news(nights: Nights) -> None:
    nights.take({"lots.csv": b""})
    taken = nights.take(now=NOW + timedelta(days=1))
    assert not taken.is_something
    assert nights.refused("lots.csv") == [(0, "", "file.empty")]


def test_compressed_bytes_read_as_what_their_name_says_even_beside_a_misnamed_copy(nights: Nights) -> None:
    packed = gzip.compress(export("lots", {}).encode())
    nights.take({"lots_1.csv": packed, "lots_1.csv.gz": packed})
    assert nights.counts("lots_1.csv.gz") == (1, 1, 0, 0, 0)
    assert nights.refused("lots_1.csv") == [(0, "", "file.encoding")]


def test_a_compressed_file_s_fingerprint_is_of_its_bytes_as_delivered(nights: Nights) -> None:
    plain = export("lots", {}).encode()
    nights.take({"lots_1.csv": plain, "lots_2.csv.gz": gzip.compress(plain)})
    assert len(set(nights.con.execute("select sha256 from file").fetchall())) == 2
    assert nights.counts("lots_2.csv.gz") == (1, 0, 0, 1, 0)


def test_files_count_one_after_another_in_path_order(nights: Nights) -> None:
    changed = {"b/lots.csv": "2", "lots_1.csv": "3", "B/lots.csv": "1", "lots_é.csv": "4"}
    nights.take({name: export("lots", {"quantity": quantity}) for name, quantity in changed.items()})
    assert nights.values("lots", "quantity") == [(1,), (2,), (3,), (4,)]


def test_undeclared_columns_are_told_by_name(nights: Nights) -> None:
    nights.take({"lots.csv": "lot_no,phone,notes\nL1,07700 900123,call back\n", "lots_2.csv": "phone\n1\n"})
    told = nights.con.execute("select path, undeclared from file order by path").fetchall()
    assert told == [("lots.csv", ["phone", "notes"]), ("lots_2.csv", [])]


def test_a_slip_of_the_finger_is_rejected_and_overflows_no_sum(nights: Nights) -> None:
    nights.take({"sales.csv": export("sales", {"net_amount": "9" * 28}, {"line_no": "2", "quantity": "9" * 18})})
    assert [rule for *_, rule in nights.refused("sales.csv")] == ["number.range", "number.range"]
