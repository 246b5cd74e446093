"""`scapha check`: what a night would say of files, told of a copy that is thrown away."""

import hashlib
from pathlib import Path

from support.exports import GOOD, csv_text, export, fill, row

from .conftest import Scapha
from .documents import document


def state(folder: Path) -> dict[str, str]:
    """Every file of a folder but locks, with a digest of its bytes."""
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in folder.rglob("*")
        if path.is_file() and path.suffix != ".lock"
    }


def test_without_a_store_all_is_told_and_nothing_is_made(scapha: Scapha, here: Path) -> None:
    rows = [row("sales"), row("sales", sale_id="S2", quantity="few")]
    fill(here / "new", {"sales_1.csv": csv_text(rows), "notes.txt": "x"})
    before = state(here)
    result = scapha("check", "new/sales_1.csv", "--quiet")
    assert result.exit_code == 0
    assert "sales_1.csv (sales): 2 rows: 1 accepted, 1 rejected, 0 duplicate, 0 superseded." in result.stdout
    assert "Line 3, quantity (aaa): whole.form." in result.stdout
    assert state(here) == before


def test_it_tells_what_the_night_then_does(scapha: Scapha, here: Path) -> None:
    fill(here / "inbox", {"sales_1.csv": export("sales", {}, {"sale_id": "S2"})})
    assert scapha("nightly", "inbox", "--quiet").exit_code == 0
    newer = export("sales", {}, {"sale_id": "S2", "quantity": "3"}, {"sale_id": "S3"}, {"sale_id": "", "quantity": "x"})
    fill(here / "inbox", {"sales_2.csv": newer})
    before = state(here)
    told = {file["file"]: file for file in document(scapha("check", "inbox", "--json", "--quiet"))["files"]}
    assert state(here) == before
    night = document(scapha("nightly", "inbox", "--json", "--quiet"))
    fates = ("accepted", "rejected", "duplicate", "superseded")
    assert [told["sales_2.csv"][fate] for fate in fates] == [2, 1, 1, 0]
    assert sum(file["accepted"] for file in told.values()) == night["counts"]["accepted"]
    assert (told["sales_1.csv"]["known"], told["sales_2.csv"]["known"]) == (True, False)


def test_strict_exits_3_where_something_would_be_rejected(scapha: Scapha, here: Path) -> None:
    fill(here / "new", {"branches.csv": csv_text([GOOD["branches"]]), "lots.csv": b""})
    assert scapha("check", "new/branches.csv", "--strict").exit_code == 0
    assert scapha("check", "new", "--strict").exit_code == 3


def test_a_file_named_twice_is_told_once_and_two_of_one_name_are_told_apart(scapha: Scapha, here: Path) -> None:
    fill(here / "a", {"branches.csv": csv_text([GOOD["branches"]])})
    fill(here / "b", {"branches.csv": csv_text([GOOD["branches"]])})
    told = document(scapha("check", "a", "a/branches.csv", "b", "--json", "--quiet"))
    assert [file["file"] for file in told["files"]] == ["branches.csv", "b/branches.csv"]


def test_for_an_unknown_file_lines_are_suggested_and_no_cell_is_shown(scapha: Scapha, here: Path) -> None:
    fill(here / "new", {"till.csv": "Receipt no;Line;Date\nQuillfeather;1;03.04.2026\n"})
    result = scapha("check", "new/till.csv", "--quiet")
    assert "till.csv: of no table." in result.stdout
    assert "[[sources]]" in result.stdout
    assert "Quillfeather" not in result.output


def test_a_path_that_is_not_there_is_wrong_usage(scapha: Scapha, here: Path) -> None:
    assert scapha("check", str(here / "nothing.csv")).exit_code == 2
