"""`scapha forget` and `scapha rebuild` as they are typed: keys on stdin alone, a certificate on stdout."""

from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from pipeline.cli import main
from pipeline.store.database import hold_lock
from support.exports import export, fill

from .conftest import Scapha
from .documents import document

KEY = "client one"
"""Of the good rows in the exports that all tests share."""
HIDDEN = "Cordelia Quillfeather 07700900461"


def forget(keys: str, *options: str) -> Result:
    return CliRunner().invoke(main, ["forget", *options], input=keys)


@pytest.mark.usefixtures("after")
def test_a_certificate_is_printed_in_words() -> None:
    result = forget(f"{KEY}\n{HIDDEN}\n")
    assert result.exit_code == 0
    assert "Keys asked for: 2; known here: 1." in result.stdout
    assert "2 of procedures" in result.stdout


@pytest.mark.usefixtures("after")
@pytest.mark.parametrize("keys", [f"{KEY}", f"\ufeff{KEY}\r\n\r\n", f"\n  {KEY}\t\n{KEY}\n"], ids=repr)
def test_keys_are_read_a_line_each_with_the_space_around_them_off(keys: str) -> None:
    said = document(forget(keys, "--json", "--quiet"))
    assert (said["keys"], said["keys_found"], said["hashes_left"]) == (1, 1, 0)
    assert said["rows_removed"]["procedures"] == 2


@pytest.mark.usefixtures("after")
def test_the_site_stays_and_the_next_night_is_without_them(scapha: Scapha, after: Path) -> None:
    site = (after / "site").readlink()
    assert forget(KEY).exit_code == 0
    assert (after / "site").readlink() == site
    assert scapha("nightly", "inbox").exit_code == 0
    assert (after / "site").readlink() != site
    fill(after / "inbox", {"procedures_again.csv": export("procedures", {"procedure_id": "P9"})})
    said = document(scapha("nightly", "inbox", "--json"))
    assert said["counts"]["rejected_standing"] >= 1
    assert "row.forgotten" in (after / "site" / "tables" / "rejected_rows.csv").read_text("utf-8")


@pytest.mark.usefixtures("after")
@pytest.mark.parametrize("keys", ["", "\n", " \n\t\n", "\ufeff"], ids=repr)
def test_without_a_key_it_exits_2(keys: str) -> None:
    result = forget(keys)
    assert (result.exit_code, result.stdout) == (2, "")
    assert "stdin" in result.stderr
    assert document(forget(keys, "--json"))["exit_code"] == 2


@pytest.mark.usefixtures("here")
def test_where_no_store_is_it_exits_1_and_makes_nothing(here: Path) -> None:
    result = forget(HIDDEN, "--store", "elsewhere/shop.duckdb")
    assert (result.exit_code, result.stdout) == (1, "")
    assert list(here.iterdir()) == []


@pytest.mark.usefixtures("after")
def test_a_key_is_no_argument(scapha: Scapha) -> None:
    assert scapha("forget", HIDDEN).exit_code == 2


def told(result: Result) -> str:
    return result.stdout + result.stderr


def test_no_message_tells_a_key(after: Path) -> None:
    results = [forget(HIDDEN, *options) for options in ([], ["--json"], ["--store", "none"])]
    with hold_lock(after / "scapha.duckdb"):
        results.append(forget(HIDDEN))
    (after / "scapha.key").unlink()
    results.append(forget(HIDDEN))
    assert [result.exit_code for result in results] == [0, 0, 1, 5, 1]
    assert [word for word in HIDDEN.split() for result in results if word in told(result)] == []


@pytest.mark.usefixtures("after")
def test_a_rebuild_says_of_how_much_the_store_is_made_again(scapha: Scapha) -> None:
    said = document(scapha("rebuild", "--json"))
    assert said["runs"] == 1
    assert said["files"] == 6
    result = scapha("rebuild")
    assert result.exit_code == 0
    assert "is made again of 1 runs and 6 files" in result.stdout


def test_a_rebuild_without_its_journal_exits_1_and_while_another_run_holds_the_store_5(
    scapha: Scapha, after: Path
) -> None:
    with hold_lock(after / "scapha.duckdb"):
        assert scapha("rebuild").exit_code == 5
    (after / "scapha.journal.jsonl").unlink()
    before = (after / "scapha.duckdb").read_bytes()
    result = scapha("rebuild")
    assert (result.exit_code, result.stdout) == (1, "")
    assert "scapha.journal.jsonl" in result.stderr
    assert (after / "scapha.duckdb").read_bytes() == before
