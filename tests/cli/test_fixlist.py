"""`scapha fixlist`: what it says, what it leaves behind, and its exit codes."""

import json
from pathlib import Path

import pytest

from support.exports import export, fill

from .conftest import CLIENT, Scapha
from .documents import document


@pytest.mark.usefixtures("after")
def test_it_writes_a_folder_for_each_branch_and_says_how_much_stands_there(scapha: Scapha, here: Path) -> None:
    result = scapha("fixlist", "to_mend")
    assert result.exit_code == 0
    lines = result.stdout.splitlines()
    assert lines[0].startswith("B1: 1 rows to mend, 0 without values, ")
    assert lines[1:] == ["Of no branch: 0 rows to mend, 3 without values, 0 gaps."]
    assert sorted(path.name for path in (here / "to_mend").iterdir()) == ["B1", "_no_branch"]
    assert CLIENT in (here / "to_mend/B1/procedures_to_mend.csv").read_text()
    assert CLIENT not in result.output


@pytest.mark.usefixtures("after")
def test_its_json_names_every_file(scapha: Scapha, here: Path) -> None:
    said = json.loads(scapha("fixlist", "to_mend", "--json", "--quiet").output)
    assert [one["branch"] for one in said["branches"]] == ["B1", None]
    named = {path for one in said["branches"] for path in one["paths"]}
    assert named == {str(path.relative_to(here)) for path in (here / "to_mend").rglob("*") if path.is_file()}


@pytest.mark.usefixtures("after")
def test_a_row_mended_and_sent_again_leaves_the_list(scapha: Scapha, here: Path) -> None:
    scapha("fixlist", "to_mend")
    mended = (here / "to_mend/B1/procedures_to_mend.csv").read_text().replace(CLIENT, "helix", 1)
    fill(here / "inbox", {"procedures_to_mend.csv": mended})
    assert scapha("nightly", "inbox").exit_code == 0
    assert "B1: 0 rows to mend" in scapha("fixlist", "again").stdout


@pytest.mark.usefixtures("after")
def test_a_folder_that_holds_something_is_not_touched(scapha: Scapha, here: Path) -> None:
    assert scapha("fixlist", "to_mend").exit_code == 0
    (here / "to_mend/B1/procedures_to_mend.csv").write_text("mine")
    result = scapha("fixlist", "to_mend", "--json")
    assert result.exit_code == document(result)["exit_code"] == 2
    assert (here / "to_mend/B1/procedures_to_mend.csv").read_text() == "mine"


def test_without_a_store_it_exits_1_and_makes_nothing(scapha: Scapha, here: Path) -> None:
    assert scapha("fixlist", "to_mend").exit_code == 1
    assert list(here.iterdir()) == []


@pytest.mark.usefixtures("after")
def test_settings_in_the_current_folder_hold(scapha: Scapha, here: Path) -> None:
    (here / "scapha.toml").write_text('[[sources]]\nfiles = "*"\ncolumns = { procedure_id = "Number" }\n')
    assert scapha("fixlist", "to_mend").exit_code == 0
    assert (here / "to_mend/B1/procedures_to_mend.csv").read_text().startswith("Number,visit_id,")


@pytest.mark.usefixtures("inbox")
def test_where_nothing_is_to_mend_it_writes_an_empty_folder(scapha: Scapha, here: Path) -> None:
    fill(here / "inbox", {"procedures.csv": export("procedures", {"performed_at": "2020-05-03T10:00"})})
    assert scapha("nightly", "inbox", "--as-of", "2024-01-01").exit_code == 0
    result = scapha("fixlist", "to_mend", "--quiet")
    assert (result.exit_code, result.output) == (0, "")
    assert list((here / "to_mend").iterdir()) == []
