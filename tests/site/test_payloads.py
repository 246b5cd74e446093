"""Payloads in every text field of the exports: none comes out as an element, an attribute, a script or a formula.

These are some of the 1,000; `tests/payloads.py` sends all of them through, each with a branch of its own.
"""

import csv
import json
import re
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import polars as pl
import pytest
from browsing import Tab
from inert import book_faults, csv_faults, page_faults
from pagehtml import body_text, pages_of, read_page
from payload_files import OF_PAGES, faults, give_out, pages_for_a_browser, seen_by_a_browser
from test_markup import ALLOWED
from xlsxwriter import Workbook

from pipeline.contract.columns import BROKEN, MISFIT, Kind
from pipeline.contract.tables import TABLES
from reports import rendering
from reports.readers.declared import BRANCH, CHAIN, OWNER
from reports.site import build_site
from support.editions import Published, shared
from support.payload_chain import SECRET, id_of, is_id
from support.payload_texts import MARK, N_PAYLOADS, payloads

TEXTS = payloads(150)
TO_A_BRANCH = 15


@pytest.fixture(scope="session")
def payload_night(tmp_path_factory: pytest.TempPathFactory) -> Published:
    def make(folder: Path) -> Published:
        return give_out(folder, TEXTS, to_a_branch=TO_A_BRANCH, readers=(OWNER, BRANCH))

    return shared(tmp_path_factory, "payloads", make)


@pytest.fixture
def folder(payload_night: Published) -> Path:
    return payload_night.site.parent


def cells(path: Path) -> Iterator[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        yield from csv.DictReader(file, strict=True)


def test_a_thousand_payloads_differ_and_each_has_its_mark() -> None:
    texts = payloads()
    assert len(set(texts)) == N_PAYLOADS == 1000
    assert [MARK.findall(text)[:1] for text in texts] == [[str(at)] for at in range(N_PAYLOADS)]


def test_every_text_field_of_the_exports_holds_every_payload(folder: Path) -> None:
    texts = {kind for kind in Kind if kind.name in ("ID", "CODE", "TEXT", "CLIENT")}
    for table in TABLES:
        [refused, accepted] = [list(cells(folder / "inbox" / f"{table.name}{end}.csv")) for end in ("_refused", "")]
        for column in table.columns:
            if column.name != "branch_id":
                assert all(text in row[column.name] for text, row in zip(TEXTS, refused, strict=True)), column
            if column.kind in texts:
                marks = {mark for row in accepted for mark in MARK.findall(row.get(column.name) or "")}
                assert len(marks) >= len(TEXTS) // TO_A_BRANCH, (table.name, column.name)


def test_nothing_that_is_given_out_holds_more_than_text(folder: Path) -> None:
    assert faults(folder) == []


def test_the_payloads_are_told_of(folder: Path, payload_night: Published) -> None:
    site = folder / "site"
    ids = {id_of(text) for text in TEXTS}
    told = {re.sub("^'", "", row["practitioner_id"]) for row in cells(site / "tables" / "branch_practitioners.csv")}
    assert {re.sub("^'", "", one) for one in ids} == told
    marks = {mark for path in pages_of(site) for mark in MARK.findall(body_text(path))}
    assert marks == {str(at) for at in range(len(TEXTS))}
    compared = body_text(site.resolve() / "compare.html")
    assert [text for text in TEXTS[::TO_A_BRANCH] if is_id(text) and text.strip() not in compared] == []
    incidents = payload_night.edition.results["incidents"]
    assert incidents.filter(pl.col("level").str.contains(MARK.pattern)).height > 0
    assert sorted(path.suffix for path in (folder / "mails").iterdir()) == [".html"] * 3 + [".txt"] * 2


def test_refused_values_are_masked_on_the_page_and_whole_in_the_fix_lists(folder: Path) -> None:
    refused = list(cells(folder / "site" / "tables" / "rejected_rows.csv"))
    assert {row["file"] for row in refused} == {f"{table.name}_refused.csv" for table in TABLES}
    assert [row["value"] for row in refused if re.search("[b-zA-Z0-8]", row["value"])] == []
    too_much = [text for text in TEXTS if not is_id(text)]
    assert sum(row["rule"] == "id.form" and row["table"] == "procedures" for row in refused) >= len(too_much)
    lists = [row for path in (folder / "lists").rglob("sales_to_mend.csv") for row in cells(path)]
    listed = {re.sub("^'", "", row["product_id"]) for row in lists}
    marked = (MISFIT, BROKEN)  # these the list takes for the intake's own marks
    texts = [text.strip() for text in TEXTS if not text.startswith(marked)]
    assert len(texts) >= len(TEXTS) - 6
    assert [text for text in texts if re.sub("^'", "", text) not in listed] == []


def test_the_summary_is_plain_json(folder: Path) -> None:
    json.loads((folder / "site" / "summary.json").read_text(encoding="utf-8"))


@pytest.mark.browser
def test_a_browser_makes_of_the_pages_what_the_templates_have(tab: Tab, folder: Path) -> None:
    chosen = [path for path in pages_for_a_browser(folder) if path.stem not in ("methods", "dictionary")]
    branches = [path for path in chosen if path.parent.name == "branch" and path.parent.parent.name != "branch"]
    for path in (path for path in chosen if path not in branches[1:]):
        counts, held = seen_by_a_browser(tab.open(path))
        assert held == [], path
        assert counts == Counter(element.tag for element in read_page(path).all()), path
        assert (tab.messages, tab.requests) == ([], [path.as_uri()]), path


def test_without_escaping_all_of_it_would_be_found(
    payload_night: Published, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bare = rendering._environment().overlay(autoescape=False)
    monkeypatch.setattr(rendering, "_environment", lambda: bare)
    build_site(payload_night.edition, tmp_path, CHAIN)
    found = page_faults(tmp_path / "compare.html", tmp_path, tags=ALLOWED, attributes=OF_PAGES)
    assert found


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("<p zq1q>x</p>", "<p zq1q>"),
        ("<script>x</script>", "<script>"),
        ('<p class="zq1q">x</p>', "<p class='zq1q'>"),
        ("<p onclick=x>x</p>", "<p onclick>"),
        ("<!--x-->", "a comment or declaration '<!--x-->'"),
        ("<style>zq1q</style>", "a payload in a style sheet"),
        ('<a href="//x.example">x</a>', "a link out of the folder, '//x.example'"),
        ('<a href="java\nscript:x">x</a>', "a link out of the folder, 'java\\nscript:x'"),
        ('<a href="../x.html">x</a>', "a link out of the folder, '../x.html'"),
        ('<a href="x.html">x</a>', "a link to no file, 'x.html'"),
        ("</p>", "</p> closes <> at (1, 0)"),
        ("&lt;p zq1q&gt;", None),
    ],
)
def test_a_page_that_is_more_than_its_template_is_told(tmp_path: Path, text: str, fault: str | None) -> None:
    path = tmp_path / "page.html"
    path.write_text(text, encoding="utf-8")
    found = page_faults(path, tmp_path, tags=ALLOWED, attributes=OF_PAGES)
    assert found == ([f"page.html: {fault}"] if fault else [])


@pytest.mark.parametrize("cell", ["=1+1", "+1+1", "-1+1", "@SUM(A1)", "\t=1", "\r=1", "\n=1", "=", "-"])
def test_a_cell_that_a_spreadsheet_runs_is_told(tmp_path: Path, cell: str) -> None:
    path = tmp_path / "table.csv"
    pl.DataFrame({"a": [cell, "'=1", "-1.5"], "b": "x"}).write_csv(path)
    assert csv_faults(path) == [f"table.csv: a cell that runs, {cell!r}"]


def test_a_row_torn_apart_is_told(tmp_path: Path) -> None:
    path = tmp_path / "table.csv"
    path.write_text("a,b\n1,2,3\n")
    assert csv_faults(path) == ["table.csv: a row of 3 cells under 2"]


def test_a_workbook_that_is_more_than_text_is_told(tmp_path: Path) -> None:
    path = tmp_path / "book.xlsx"
    with Workbook(path) as book:
        sheet = book.add_worksheet()
        sheet.write_formula(0, 0, "=1+1")
        sheet.write_url(1, 0, "internal:Sheet1!A1", string=SECRET)
        sheet.write_string(2, 0, "=1+1")
    told = ["<f>", "a cell that is no text, A1", "<hyperlink>", f"{SECRET} in"]
    found = book_faults(path, holds_no=SECRET)
    assert [one for one in told if not any(one in fault for fault in found)] == []
