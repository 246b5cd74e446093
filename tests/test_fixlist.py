"""The fix list: what stands in each branch's folder, and that it is taken in when it is mended and sent again."""

import csv
import hashlib
import io
import json
import os
import re
import shutil
import stat
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from pipeline import fixlist, nightly
from pipeline.errors import StoreError, UsageError
from pipeline.fixlist import Written, folder_name, write_fix_lists
from pipeline.intake.xlsx import read_xlsx
from pipeline.mending import neutral
from pipeline.nightly import run_night
from pipeline.settings import Settings
from pipeline.store.database import read_store
from support.exports import NOW, Row, csv_text, export, fill, row
from support.shortened import without_figures
from support.workbooks import saved, written_book

Said = dict[str, Any]


def cut_short(patch: pytest.MonkeyPatch) -> None:
    """Let nights tell the gaps in the records and no figure, on a plain page."""
    without_figures(patch.setattr, "record_gaps")
    patch.setattr(nightly, "build_site", lambda _, folder: (folder / "index.html").write_text("built"))


@pytest.fixture(autouse=True)
def _quick(monkeypatch: pytest.MonkeyPatch) -> None:
    cut_short(monkeypatch)


@dataclass
class Shop:
    """An inbox taken in night after night, and the lists written of what its store refused."""

    folder: Path
    settings: Settings
    nights: int = 0

    @property
    def store(self) -> Path:
        return self.folder / "shop.duckdb"

    def night(self, files: dict[str, str | bytes], now: datetime = NOW) -> None:
        fill(self.folder / "inbox", files)
        self.nights += 1
        run_night(
            self.folder / "inbox",
            store=self.store,
            site=self.folder / "site",
            settings=self.settings,
            as_of=None,
            clock=lambda: (now + timedelta(minutes=self.nights)).replace(tzinfo=UTC),
            progress=lambda _: None,
        )

    def lists(self, name: str = "lists", settings: Settings | None = None) -> dict[str | None, Written]:
        written = write_fix_lists(self.folder / name, store=self.store, settings=settings, progress=lambda _: None)
        return {one.branch: one for one in written}

    def rows(self, path: str) -> list[Row]:
        """A CSV file of the lists."""
        text = (self.folder / "lists" / path).read_bytes().decode()
        return list(csv.DictReader(io.StringIO(text, newline="")))

    def book(self, branch: str) -> dict[str, list[list[str]]]:
        """A branch's workbook: its sheets with their rows, empty cells as empty texts."""
        book = openpyxl.load_workbook(self.folder / "lists" / branch / "fix_list.xlsx")
        return {
            sheet.title: [["" if cell is None else str(cell) for cell in line] for line in sheet.values]
            for sheet in book.worksheets
        }

    def read_me(self, branch: str) -> str:
        return "\n".join(" | ".join(filter(None, line)) for line in self.book(branch)["Read me"])

    def values(self, table: str, *columns: str) -> list[tuple[object, ...]]:
        with read_store(self.store) as con:
            return con.execute(f"select {', '.join(columns)} from raw_{table} order by seq").fetchall()

    def rejected(self, file: str) -> list[tuple[object, ...]]:
        with read_store(self.store) as con:
            return con.execute(
                "select line, column_name, rule from rejection join file using (file_id) where path = ? order by all",
                [file],
            ).fetchall()


@pytest.fixture
def shop(tmp_path: Path) -> Callable[..., Shop]:
    return lambda *sources: Shop(tmp_path, Settings.model_validate({"sources": sources}))


def mended(rows: list[Row], **changes: str) -> str:
    return csv_text([one | changes for one in rows])


BRANCHES = export("branches", {}, {"branch_id": "B2"})
REFUSED: dict[str, str | bytes] = {
    "branches.csv": BRANCHES,
    "procedures_1.csv": export(
        "procedures",
        {},
        {"procedure_id": "P2", "visit_id": "V2", "branch_id": "B2", "client_key": "client two"},
        {"procedure_id": "P3", "visit_id": "V3", "site": "nose", "ear": "left", "lot_no": "007"},
        {"procedure_id": "P4", "visit_id": "V4", "site": "nose", "branch_id": "B2"},
        {"procedure_id": "P5", "visit_id": "V5", "branch_id": ""},
    ),
    "follow_ups_1.csv": export(
        "follow_ups",
        {"outcome": "fine"},
        {"follow_up_id": "F2", "outcome": "fine", "visit_id": "", "procedure_id": "P2"},
        {"follow_up_id": "F3", "outcome": "fine", "visit_id": "", "client_key": "client two"},
        {"follow_up_id": "F4", "outcome": "fine", "visit_id": "V9"},
    ),
    "sales_1.csv": export("sales", {"quantity": "2,5", "net_amount": "9.50 kr", "batch_no": "a-1"}),
    "practitioners.csv": export("practitioners", {"home_branch_id": "B2", "trained_sites": "nose"}),
    "products.csv": export("products", {"category": "food"}),
}


@pytest.fixture(scope="module")
def first(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a shop after a night of refused rows, for tests to go on from copies of it."""
    folder = tmp_path_factory.mktemp("refused") / "shop"
    folder.mkdir()
    with pytest.MonkeyPatch.context() as patch:
        cut_short(patch)
        Shop(folder, Settings()).night(REFUSED)
    return folder


@pytest.fixture
def refused(first: Path, tmp_path: Path) -> Shop:
    """A shop after a night of refused rows."""
    shutil.copytree(first, tmp_path / "shop", symlinks=True)
    return Shop(tmp_path / "shop", Settings(), nights=1)


def ids(rows: list[Row], key: str) -> list[str]:
    return [one[key] for one in rows]


def test_each_branch_has_a_folder_of_its_own_records_alone(refused: Shop) -> None:
    it = refused
    written = it.lists()
    assert list(written) == ["B1", "B2", None]
    assert {name: (one.rows, one.without_values) for name, one in written.items()} == {
        "B1": (3, 0),
        "B2": (4, 0),
        None: (3, 0),
    }
    assert ids(it.rows("B1/procedures_to_mend.csv"), "procedure_id") == ["P3"]
    assert ids(it.rows("B1/follow_ups_to_mend.csv"), "follow_up_id") == ["F1"]
    assert ids(it.rows("B1/sales_to_mend.csv"), "sale_id") == ["S1"]
    assert ids(it.rows("B2/procedures_to_mend.csv"), "procedure_id") == ["P4"]
    assert ids(it.rows("B2/follow_ups_to_mend.csv"), "follow_up_id") == ["F2", "F3"]
    assert ids(it.rows("B2/practitioners_to_mend.csv"), "practitioner_id") == ["W1"]
    assert ids(it.rows("_no_branch/procedures_to_mend.csv"), "procedure_id") == ["P5"]
    assert ids(it.rows("_no_branch/follow_ups_to_mend.csv"), "follow_up_id") == ["F4"]
    assert ids(it.rows("_no_branch/products_to_mend.csv"), "product_id") == ["Q1"]
    found = {path for path in (it.folder / "lists").rglob("*") if path.is_file()}
    assert found == {path for one in written.values() for path in one.paths}
    assert {path.parent.name for path in written["B2"].paths} == {"B2"}


def test_a_client_of_two_branches_leads_to_neither(shop: Callable[..., Shop]) -> None:
    it = shop()
    follow_up = {"visit_id": "", "client_key": "client one", "outcome": "fine"}
    it.night(
        {
            "procedures.csv": export("procedures", {}, {"procedure_id": "P2", "visit_id": "V2", "branch_id": "B2"}),
            "follow_ups.csv": export("follow_ups", follow_up, {"follow_up_id": "F2", "outcome": "fine"}),
        }
    )
    it.lists()
    assert ids(it.rows("_no_branch/follow_ups_to_mend.csv"), "follow_up_id") == ["F1"]
    assert ids(it.rows("B1/follow_ups_to_mend.csv"), "follow_up_id") == ["F2"]


def test_the_workbook_lists_the_same_rows_as_the_csv_files(refused: Shop) -> None:
    it = refused
    for branch, one in it.lists().items():
        folder = folder_name(branch)
        book = it.book(folder)
        tables = {path.name.removesuffix("_to_mend.csv") for path in one.paths if path.name.endswith("_to_mend.csv")}
        assert set(book) - {"Read me", "Gaps"} == tables
        for table in tables:
            rows = it.rows(f"{folder}/{table}_to_mend.csv")
            assert book[table] == [list(rows[0]), *(list(one.values()) for one in rows)]


def test_a_row_has_its_values_as_they_were_and_what_to_do(refused: Shop) -> None:
    it = refused
    it.lists()
    (sale,) = it.rows("B1/sales_to_mend.csv")
    assert {name: value for name, value in sale.items() if value and name != "what to do"} == {
        **row("sales"),
        "quantity": "2,5",
        "net_amount": "9.50 kr",
        "batch_no": "A-1",
        "file": "sales_1.csv",
        "line": "2",
    }
    assert sale["what to do"] == (
        "net_amount: Write net_amount as digits with a decimal point, such as 12.50, without a currency sign or "
        "thousands separator; or declare decimal_mark and thousands_mark for this source in the settings. "
        "quantity: Write quantity as a whole number in digits, such as 16."
    )


def test_mended_and_sent_again_as_csv_the_rows_are_taken_in(refused: Shop) -> None:
    it = refused
    it.lists()
    procedures = mended(it.rows("B1/procedures_to_mend.csv"), site="helix", client_key="client one")
    follow_ups = mended(it.rows("B2/follow_ups_to_mend.csv"), outcome="well", visit_id="V2")
    sales = mended(it.rows("B1/sales_to_mend.csv"), quantity="2", net_amount="9.50")
    it.night({"procedures_to_mend.csv": procedures, "follow_ups_to_mend.csv": follow_ups, "sales_to_mend.csv": sales})
    assert [it.rejected(f"{table}_to_mend.csv") for table in ("procedures", "follow_ups", "sales")] == [[], [], []]
    clients = {str(one): client for one, client in it.values("procedures", "procedure_id", "client_key")}
    assert clients["P3"] == clients["P1"]
    assert it.values("procedures", "procedure_id", "site", "ear", "lot_no")[-1] == ("P3", "helix", "left", "007")
    assert it.values("follow_ups", "follow_up_id", "outcome") == [("F2", "well"), ("F3", "well")]
    assert it.values("sales", "sale_id", "quantity", "batch_no") == [("S1", 2, "A-1")]
    again = it.lists("again")
    assert {name: one.rows for name, one in again.items()} == {"B1": 1, "B2": 2, None: 3}


def test_mended_and_sent_again_as_a_workbook_the_rows_are_taken_in(refused: Shop) -> None:
    it = refused
    it.lists()
    book = openpyxl.load_workbook(it.folder / "lists" / "B1" / "fix_list.xlsx")
    mends: dict[str, dict[str, object]] = {
        "procedures": {"site": "helix"},
        "follow_ups": {"outcome": "well"},
        "sales": {"quantity": 2, "net_amount": 9.5, "sold_at": datetime(2024, 5, 3, 10, 30)},
    }
    for table, cells in mends.items():
        names = [cell.value for cell in book[table][1]]
        for name, value in cells.items():
            book[table].cell(2, names.index(name) + 1).value = value
    it.night({"fix_list.xlsx": saved(book)})
    assert it.rejected("fix_list.xlsx") == []
    assert it.values("procedures", "procedure_id", "site", "lot_no")[-1] == ("P3", "helix", "007")
    assert it.values("follow_ups", "follow_up_id", "outcome") == [("F1", "well")]
    assert [tuple(map(str, one)) for one in it.values("sales", "sale_id", "quantity", "sold_at")] == [
        ("S1", "2", "2024-05-03T10:30:00")
    ]
    assert "B1" not in it.lists("again") or it.lists("more")["B1"].rows == 0


def test_sent_again_as_it_is_a_list_is_refused_for_the_same_reasons(refused: Shop) -> None:
    it = refused
    written = it.lists()
    before = {table: it.values(table, "seq") for table in ("procedures", "follow_ups", "sales", "products")}
    files: dict[str, str | bytes] = {
        f"{path.name.split('_to_mend')[0]}_to_mend_{at}.csv": path.read_bytes()
        for at, one in enumerate(written.values())
        for path in one.paths
        if path.name.endswith("_to_mend.csv")
    }
    it.night(files | {"fix_list.xlsx": (it.folder / "lists/B1/fix_list.xlsx").read_bytes()})
    assert {table: it.values(table, "seq") for table in before} == before
    assert it.rejected("sales_to_mend_0.csv") == it.rejected("sales_1.csv")
    # F3 named its client alone, whose key was not filled in again: now nobody can tell its branch.
    assert {name: one.rows for name, one in it.lists("again").items()} == {"B1": 3, "B2": 3, None: 4}


def test_the_clients_key_is_asked_for_again(shop: Callable[..., Shop]) -> None:
    it = shop()
    it.night(
        {
            "procedures.csv": export(
                "procedures", {"site": "nose"}, {"procedure_id": "P2", "site": "x", "client_key": ""}
            )
        }
    )
    it.lists()
    with_client, without = it.rows("B1/procedures_to_mend.csv")
    assert with_client["client_key"] == without["client_key"] == ""
    assert with_client["what to do"].endswith("client_key: Fill it in again, only its hash is kept.")
    assert "client_key" not in without["what to do"]
    assert "client_key is empty" in it.read_me("B1")
    assert b"client one" not in b"".join(path.read_bytes() for path in (it.folder / "lists").rglob("*.csv"))


MENDED: list[tuple[str, Row, list[Row], bool]] = [
    ("sent again later", {"site": "nose"}, [{}], False),
    (
        "recorded later",
        {"site": "nose", "recorded_at": "2024-05-04T10:00"},
        [{"recorded_at": "2024-05-05T10:00"}],
        False,
    ),
    (
        "recorded earlier",
        {"site": "nose", "recorded_at": "2024-05-04T10:00"},
        [{"recorded_at": "2024-05-03T11:00"}],
        True,
    ),
    ("another key", {"site": "nose"}, [{"procedure_id": "P2"}], True),
    ("its own time was refused", {"performed_at": "2034-05-03T10:00"}, [{}], False),
    ("its own time was none", {"performed_at": "in May"}, [{}], False),
    ("its key was refused", {"procedure_id": ""}, [{}], True),
]


@pytest.mark.parametrize(
    ("refused", "later", "stands"), [case[1:] for case in MENDED], ids=[case[0] for case in MENDED]
)
def test_a_row_leaves_the_list_when_a_version_of_it_counts_in_its_place(
    shop: Callable[..., Shop], refused: Row, later: list[Row], stands: bool
) -> None:
    it = shop()
    it.night({"branches.csv": BRANCHES, "procedures_1.csv": export("procedures", refused)})
    assert it.lists()["B1"].rows == 1
    it.night({"procedures_2.csv": export("procedures", *later)})
    assert sum(one.rows for one in it.lists("again").values()) == stands


def test_a_correction_that_was_refused_stands_though_an_earlier_version_is_held(shop: Callable[..., Shop]) -> None:
    it = shop()
    it.night({"procedures_1.csv": export("procedures", {})})
    it.night({"procedures_2.csv": export("procedures", {"site": "nose"})})
    assert it.lists()["B1"].rows == 1


def test_times_are_compared_as_the_clocks_of_the_branch_and_the_offset_have_them(shop: Callable[..., Shop]) -> None:
    it = shop()
    zoned = export("branches", {"timezone": "Asia/Tokyo"})
    it.night({"branches.csv": zoned, "procedures_1.csv": export("procedures", {"recorded_at": "2024-05-04T08:30"})})
    it.night({"procedures_2.csv": export("procedures", {"site": "nose", "recorded_at": "2024-05-04T00:00Z"})})
    assert it.lists()["B1"].rows == 1  # 08:30 in Tokyo was half an hour earlier
    it.night({"procedures_3.csv": export("procedures", {"ear": "left", "recorded_at": "2024-05-04T09:30"})})
    assert "B1" not in {name for name, one in it.lists("again").items() if one.rows}


def test_a_table_without_history_goes_by_the_order_taken_in(shop: Callable[..., Shop]) -> None:
    it = shop()
    lot = {"lot_no": "l1", "received_on": "", "branch_id": "B1"}
    it.night({"lots_1.csv": export("lots", lot | {"quantity": "1"})})
    it.night({"lots_2.csv": export("lots", lot | {"quantity": "many"})})
    assert it.lists()["B1"].rows == 1
    it.night({"lots_3.csv": export("lots", lot | {"lot_no": "L1", "quantity": "3"})})
    assert it.lists("again") == {}


def test_a_row_that_every_export_repeats_is_listed_once_as_the_newest_has_it(shop: Callable[..., Shop]) -> None:
    it = shop()
    for number in range(3):
        nose = {"site": f"nose {number}"}
        keyless = {"procedure_id": "", "visit_id": "V7"}
        it.night(
            {f"procedures_{number}.csv": export("procedures", nose, keyless, keyless, {"procedure_id": f"P{number}0"})}
        )
    it.lists()
    listed = it.rows("B1/procedures_to_mend.csv")
    assert [(one["site"], one["file"], one["line"]) for one in listed] == [
        ("nose 2", "procedures_2.csv", "2"),
        ("lobe", "procedures_2.csv", "3"),
        ("lobe", "procedures_2.csv", "4"),
    ]


def test_what_was_refused_whole_is_named_by_file_and_line(shop: Callable[..., Shop]) -> None:
    it = shop({"files": "hill/*", "constants": {"branch_id": "B2"}})
    it.night(
        {
            "sales_1.csv": csv_text([row("sales")]) + "S2,1\n",
            "sales_2.csv": b"\xff\xfe",
            "hill/sales.jsonl": json.dumps(row("sales", branch_id="", sale_id="S3")) + "\nno json\n",
            "hill/lots.csv": "",
        }
    )
    written = it.lists()
    assert {name: (one.rows, one.without_values) for name, one in written.items()} == {"B2": (0, 2), None: (0, 2)}
    assert {path.name for one in written.values() for path in one.paths} == {"fix_list.xlsx"}
    assert "sales_1.csv | 3 | Give the record 7 fields" in it.read_me("_no_branch")
    assert "sales_2.csv | the whole file | Save the file" in it.read_me("_no_branch")
    assert "hill/sales.jsonl | 2 | Write each line as one JSON object" in it.read_me("B2")
    assert "hill/lots.csv | the whole file | Export the file again" in it.read_me("B2")


def test_a_row_whose_original_is_gone_is_named_by_file_and_line(shop: Callable[..., Shop]) -> None:
    it = shop()
    it.night({"sales.csv": export("sales", {"quantity": "x"})})
    for path in it.folder.glob("*.originals/*"):
        path.unlink()
    written = it.lists()
    assert [(one.rows, one.without_values) for one in written.values()] == [(0, 1)]
    assert "sales.csv | 2 | quantity: Write quantity as a whole number" in it.read_me("_no_branch")


def test_gaps_name_the_piercing_the_day_and_what_is_missing(shop: Callable[..., Shop]) -> None:
    it = shop()
    full = {
        "age_years": "30",
        "consent": "adult_self",
        "lot_no": "L1",
        "practitioner_id": "W1",
        "aftercare_given": "both",
    }
    it.night(
        {
            "branches.csv": BRANCHES,
            "lots.csv": export("lots", {}),
            "practitioners.csv": export("practitioners", {}),
            "procedures.csv": export(
                "procedures",
                full | {"age_years": "", "lot_no": "L9"},
                full | {"procedure_id": "=P2", "branch_id": "B2", "consent": "", "performed_at": "2024-05-04T10:00"},
            ),
        }
    )
    written = it.lists()
    assert {name: one.gaps for name, one in written.items()} == {"B1": 2, "B2": 1}
    assert it.book("B1")["Gaps"] == [
        ["piercing", "day", "what is missing"],
        ["P1", "2024-05-03", "age not recorded"],
        ["P1", "2024-05-03", "lot that no delivery names"],
    ]
    assert it.book("B2")["Gaps"][1:] == [["=P2", "2024-05-04", "consent not recorded"]]
    assert it.rows("B2/gaps.csv") == [
        {"piercing": "'=P2", "day": "2024-05-04", "what is missing": "consent not recorded"}
    ]


HOSTILE = ["=1+1", "+44 7700", "-cmd|x", "@SUM(A1)", "=HYPERLINK(1)", "ht" + "tp://x.example", "mailto:x"]


def test_no_spreadsheet_runs_a_text(shop: Callable[..., Shop]) -> None:
    it = shop()
    changes = [{"procedure_id": f"P{at}", "visit_id": text, "site": text} for at, text in enumerate(HOSTILE)]
    it.night({"=procedures.csv": b"", "procedures_=1.csv": export("procedures", *changes)})
    it.lists()
    rows = it.rows("B1/procedures_to_mend.csv")
    for text, one in zip(HOSTILE, rows, strict=True):
        is_run = text[0] in "=+-@"
        assert one["site"] == one["visit_id"] == ("'" if is_run else "") + text
        assert ("apostrophe that this list put before visit_id, site." in one["what to do"]) == is_run
    assert it.book("B1")["procedures"][1][1] == "=1+1"
    with zipfile.ZipFile(it.folder / "lists/B1/fix_list.xlsx") as book:
        parts = {name: book.read(name) for name in book.namelist()}
    sheets = b"".join(content for name, content in parts.items() if "worksheets" in name)
    assert b"<f>" not in sheets
    assert b"hyperlink" not in sheets.lower()
    assert not [name for name in parts if "externalLink" in name or "vba" in name.lower()]
    assert set(re.findall(rb'<c [^>]*\bt="(\w+)"', sheets)) == {b"s"}


ODD = ["_x0041_", "a\x01b", "a\ufffeb", "a\nb", 'a"b', "a,b;c", "\N{OGHAM SPACE MARK}a", "\U0001f600", "a" * 40_000]


def test_odd_texts_come_back_as_they_were(shop: Callable[..., Shop]) -> None:
    it = shop()
    it.night(
        {
            "branches.csv": export(
                "branches", *({"name": text, "opened_on": "x", "branch_id": f"B{at}"} for at, text in enumerate(ODD))
            )
        }
    )
    it.lists()
    for at, text in enumerate(ODD):
        (one,) = it.rows(f"B{at}/branches_to_mend.csv")
        assert one["name"] == text.strip()
        with (it.folder / f"lists/B{at}/fix_list.xlsx").open("rb") as file:
            _, record = read_xlsx(file, "branches")
        assert isinstance(record, tuple)
        assert record[1][1] == text.strip()[:32_767]


@pytest.mark.parametrize("text", ["-5", "-9.50", "-9,50", "9", "lobe", "", "a=b"])
def test_numbers_and_plain_texts_stay_as_they_are(text: str) -> None:
    assert neutral(text) == text


@pytest.mark.parametrize("text", ["\t=1", "\r=1", "\n=1", "-", "-1+1", "+5", "=", "@", "\uff1d1"])
def test_what_may_be_run_gets_an_apostrophe(text: str) -> None:
    assert neutral(text) == f"'{text}"


def test_at_the_top_a_list_is_plain_though_its_source_is_not(shop: Callable[..., Shop]) -> None:
    till = {
        "files": "till/*.csv",
        "table": "sales",
        "delimiter": ";",
        "decimal_mark": ",",
        "thousands_mark": ".",
        "time_format": "DD.MM.YYYY HH:mm",
        "timezone": "Europe/Oslo",
        "columns": {"sale_id": "Bon", "net_amount": "Netto"},
        "constants": {"branch_id": "B1"},
        "values": {"line_type": {"Verkauf": "sale"}},
    }
    it = shop(till)
    head = "Bon;line_no;sold_at;branch_id;product_id;quantity;Netto;line_type\n"
    it.night(
        {
            "branches.csv": BRANCHES,
            "till/a.csv": head
            + "S1;1;03.05.2024 10:30;;Q1;x;1.009,50;Verkauf\n"
            + "S2;1;03.05.2024 10:30;;Q1;1.00;9.50;Verkauf\n"
            + "S3;1;03.05.2024 10:30;B2;Q1;1;9,50;Verkauf\n"
            + "S4;1;31.02.2024 10:30;;Q1;1;9,50;Verkauf\n",
        }
    )
    it.lists()
    first, second, fourth = it.rows("B1/sales_to_mend.csv")
    (third,) = it.rows("_no_branch/sales_to_mend.csv")
    assert (first["net_amount"], first["sold_at"], first["branch_id"], first["line_type"]) == (
        *("1009.50", "2024-05-03T08:30:00Z", "B1", "sale"),
    )
    assert (second["quantity"], second["net_amount"]) == ("1.00 ?", "9.50 ?")
    assert third["branch_id"] == ""
    assert third["what to do"].startswith("branch_id: The file says B2, the settings say B1;")
    assert fourth["sold_at"] == "2024-02-31T10:30:00"
    assert fourth["what to do"].startswith("sold_at: Write sold_at as YYYY-MM-DDTHH:MM")
    assert "sales | Bon | sale_id\nsales | Netto | net_amount" in it.read_me("B1")
    assert "sales_to_mend.csv: into the inbox itself" in it.read_me("B1")
    it.night({"sales_to_mend.csv": mended([first, second, third, fourth])})
    assert it.values("sales", "sale_id") == []  # as it is none of it is taken in
    it.night({"sales_to_mend_2.csv": mended([first], quantity="1")})
    ((sale, sold, amount),) = it.values("sales", "sale_id", "sold_at", "net_amount")
    assert (sale, sold, str(amount)) == ("S1", "2024-05-03T08:30:00Z", "1009.5000000000")


def own_source(**more: Any) -> Said:
    names = {"sale_id": "Bon", "line_no": "line", "net_amount": "Netto", "batch_no": "Größe"}
    return {"columns": names, "decimal_mark": ",", "timezone": "Europe/Oslo", **more}


DIALECTS: dict[str, Said] = {
    "semicolon": {"delimiter": ";"},
    "no quotes": {"delimiter": "tab", "quote": ""},
    "lines above": {"skip_lines": 3},
    "cp1252": {"encoding": "cp1252"},
    "utf-16": {"encoding": "utf-16", "quote": "'"},
}


@pytest.mark.parametrize("dialect", DIALECTS.values(), ids=DIALECTS)
def test_where_the_source_itself_fits_a_list_has_its_names_and_form(shop: Callable[..., Shop], dialect: Said) -> None:
    it = shop(own_source(**dialect))
    delimiter = dialect.get("delimiter", ",").replace("tab", "	")
    text = io.StringIO()
    quoting = {"quotechar": dialect["quote"]} if dialect.get("quote") else {}
    quoting = {"quoting": csv.QUOTE_NONE} if dialect.get("quote") == "" else quoting
    writer = csv.writer(text, delimiter=delimiter, **quoting)
    writer.writerow(["Bon", "line", "sold_at", "branch_id", "product_id", "quantity", "Netto", "Größe"])
    writer.writerow(["S1", "1", "2024-05-03T10:30", "B1", "Q1", "two", "9,50", "ü1"])
    encoding = dialect.get("encoding", "utf-8")
    it.night({"sales_1.csv": ("\n" * dialect.get("skip_lines", 0) + text.getvalue()).encode(encoding)})
    it.lists()
    content = (it.folder / "lists/B1/sales_to_mend.csv").read_bytes().decode(encoding)
    lines = content.splitlines()[dialect.get("skip_lines", 0) :]
    assert lines[0].split(delimiter)[:2] == ["Bon", "line"]
    assert lines[0].split(delimiter)[-3:] == ["file", "line (note)", "what to do"]
    assert "9,50" in lines[1]
    assert it.book("B1")["sales"][0][0] == "Bon"
    it.night({"sales_to_mend.csv": content.replace("two", "2").encode(encoding)})
    assert it.rejected("sales_to_mend.csv") == []
    ((sale, sold, amount, batch),) = it.values("sales", "sale_id", "sold_at", "net_amount", "batch_no")
    assert (sale, sold, float(str(amount)), batch) == ("S1", "2024-05-03T08:30:00Z", 9.5, "Ü1")


def test_a_list_that_the_top_would_misread_goes_to_the_folder_of_its_files(shop: Callable[..., Shop]) -> None:
    it = shop({"files": "*", "constants": {"branch_id": "B2"}})
    it.night(
        {
            "hill/sales_1.csv": export("sales", {"quantity": "x"}),
            "sales_2.csv": export("sales", {"branch_id": "B2", "sale_id": "S2", "quantity": "y"}),
        }
    )
    it.lists()
    assert "sales_to_mend.csv: into the folder hill of the inbox." in it.read_me("B1")
    assert "sales_to_mend.csv: into the inbox itself" in it.read_me("B2")
    it.night({"hill/sales_to_mend.csv": mended(it.rows("B1/sales_to_mend.csv"), quantity="1")})
    it.night({"sales_to_mend.csv": mended(it.rows("B2/sales_to_mend.csv"), quantity="1")})
    assert it.values("sales", "sale_id", "branch_id") == [("S1", "B1"), ("S2", "B2")]


def test_a_list_that_fits_nowhere_says_so(shop: Callable[..., Shop]) -> None:
    it = shop({"files": "**", "table": "sales"})
    it.night({"a.csv": export("sales", {"quantity": "x"})})
    it.lists(settings=Settings.model_validate({"sources": [{"files": "**", "table": "lots"}]}))
    assert "sales_to_mend.csv: nowhere as the settings are" in it.read_me("B1")


def test_the_settings_of_the_last_night_hold_without_others(shop: Callable[..., Shop]) -> None:
    it = shop(own_source())
    it.night({"sales.csv": "Bon,line,sold_at,branch_id,product_id,quantity,Netto\nS1,1,2024-05-03T10:30,B1,Q1,x,1\n"})
    it.lists()
    assert next(iter(it.rows("B1/sales_to_mend.csv")[0])) == "Bon"
    it.folder.joinpath("lists").rename(it.folder / "first")
    it.lists(settings=Settings())
    assert next(iter(it.rows("B1/sales_to_mend.csv")[0])) == "sale_id"


def test_a_split_record_is_listed_as_the_rows_it_became(shop: Callable[..., Shop]) -> None:
    it = shop({"files": "book/*", "split": {"column": "ear", "value": "both", "into": ["left", "right"]}})
    it.night({"book/procedures.csv": export("procedures", {"ear": "both", "site": "nose"})})
    it.lists()
    rows = it.rows("B1/procedures_to_mend.csv")
    assert [(one["procedure_id"], one["ear"]) for one in rows] == [("P1-left", "left"), ("P1-right", "right")]
    it.night({"procedures_to_mend.csv": mended(rows, site="lobe")})
    assert it.values("procedures", "procedure_id", "ear") == [("P1-left", "left"), ("P1-right", "right")]


def test_cells_that_hold_no_value_are_empty(shop: Callable[..., Shop]) -> None:
    it = shop()
    book = written_book({"sales": [list(row("sales")), ["#REF!", *list(row("sales").values())[1:]]]})
    book["sales"]["A2"].data_type = "e"
    it.night({"sales.xlsx": saved(book)})
    it.lists()
    (sale,) = it.rows("B1/sales_to_mend.csv")
    assert sale["sale_id"] == ""
    assert sale["what to do"].startswith("sale_id: Put a plain value into sale_id")


def test_a_known_file_that_its_source_came_to_fit_better_is_listed_as_it_was_read_last(
    shop: Callable[..., Shop],
) -> None:
    it = shop()
    it.night({"till/sales.csv": export("sales", {"net_amount": "1.009,50", "quantity": "x"})})
    it.settings = Settings.model_validate(
        {"sources": [{"files": "till/*", "decimal_mark": ",", "thousands_mark": "."}]}
    )
    it.night({})
    it.lists()
    assert it.rows("B1/sales_to_mend.csv")[0]["net_amount"] == "1009.50"


@pytest.mark.parametrize(
    ("branch", "name"),
    [(None, "_no_branch"), ("_no_branch", "%5Fno_branch"), ("../B 1/ü", "%2E%2E%2FB%201%2F%C3%BC"), (".", "%2E")],
)
def test_a_folders_name_is_one_name_whatever_the_branchs(branch: str | None, name: str) -> None:
    assert folder_name(branch) == name


def test_a_branch_with_a_hostile_name_stays_in_its_folder(shop: Callable[..., Shop]) -> None:
    it = shop()
    it.night(
        {"sales.csv": export("sales", {"branch_id": "../../x", "quantity": "x"}, {"branch_id": "a:b", "sale_id": "S2"})}
    )
    it.lists()
    assert {path.name for path in (it.folder / "lists").iterdir()} == {"%2E%2E%2F%2E%2E%2Fx", "_no_branch"}


def states(folder: Path) -> dict[str, str]:
    return {
        str(path): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and "lists" not in path.parts
    }


def test_only_its_owner_reads_a_list_and_the_store_is_only_read(refused: Shop) -> None:
    it = refused
    before = states(it.folder)
    umask = os.umask(0o022)
    try:
        it.lists()
    finally:
        os.umask(umask)
    modes = {stat.S_IMODE(path.stat().st_mode) for path in (it.folder / "lists").rglob("*") if path.is_file()}
    folders = {stat.S_IMODE(path.stat().st_mode) for path in (it.folder / "lists", *(it.folder / "lists").iterdir())}
    assert (modes, folders) == ({0o600}, {0o700})
    assert states(it.folder) == before


def test_the_same_store_gives_the_same_bytes(refused: Shop) -> None:
    it = refused
    it.lists("lists")
    it.lists("lists 2")
    first, second = (
        {path.relative_to(it.folder / name): path.read_bytes() for path in (it.folder / name).rglob("*.*")}
        for name in ("lists", "lists 2")
    )
    assert first == second


def _file(folder: Path) -> None:
    folder.write_text("mine")


def _full(folder: Path) -> None:
    folder.mkdir()
    (folder / "sales_to_mend.csv").write_text("mine")


def _link(folder: Path) -> None:
    folder.symlink_to(folder.parent)


@pytest.mark.parametrize("make", [_file, _full, _link])
def test_what_stands_in_the_way_stays(refused: Shop, make: Callable[[Path], None]) -> None:
    it = refused
    make(it.folder / "there")
    before = states(it.folder)
    with pytest.raises(UsageError, match="no new folder"):
        it.lists("there")
    assert states(it.folder) == before


def test_an_empty_folder_is_filled_and_one_that_is_missing_made(shop: Callable[..., Shop]) -> None:
    it = shop()
    it.night({"branches.csv": BRANCHES})
    (it.folder / "empty").mkdir()
    assert it.lists("empty") == it.lists("a/b") == {}
    assert list((it.folder / "a/b").iterdir()) == []


def test_a_failure_leaves_nothing(refused: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    it = refused
    before = sorted(it.folder.rglob("*"))

    def broken(*_: object) -> bytes:
        raise ZeroDivisionError

    monkeypatch.setattr(fixlist, "_book", broken)
    with pytest.raises(ZeroDivisionError):
        it.lists()
    assert sorted(it.folder.rglob("*")) == before


def test_without_a_store_or_its_key_there_is_no_list(shop: Callable[..., Shop]) -> None:
    it = shop()
    with pytest.raises(StoreError, match="There is no store"):
        it.lists()
    it.night({"branches.csv": BRANCHES})
    (it.folder / "scapha.key").unlink()
    with pytest.raises(StoreError, match="key"):
        it.lists()
    assert not (it.folder / "lists").exists()


def test_a_long_sheet_ends_and_says_so(shop: Callable[..., Shop], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(fixlist, "MOST_ROWS", 2)
    monkeypatch.setattr("pipeline.mending.MOST_ROWS", 2)
    it = shop()
    it.night({"sales.csv": export("sales", *({"sale_id": f"S{at}", "quantity": "x"} for at in range(3)))})
    it.lists()
    assert len(it.book("B1")["sales"]) == 3
    assert len(it.rows("B1/sales_to_mend.csv")) == 3
    assert "sales: the first 2 rows are here, all 3 in the CSV file." in it.read_me("B1")
