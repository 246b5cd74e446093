"""Exit codes, and what a run leaves behind with each: CONTRACT section 3."""

import json
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from pipeline import nightly
from pipeline.nightly import Outcome
from pipeline.store.database import hold_lock
from support.exports import fill

from .conftest import GOOD, Done, Scapha
from .documents import document


def listing(folder: Path) -> list[str]:
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*"))


def test_a_night_that_is_done_exits_0_with_store_key_and_site_in_the_current_folder(done: Done) -> None:
    assert done.result.exit_code == 0
    assert {"scapha.duckdb", "scapha.key", "site"} <= {path.name for path in done.folder.iterdir()}
    for page in ("index.html", "safety.html", "compare.html", "intake.html", "methods.html", "branch/B1.html"):
        assert (done.folder / "site" / page).is_file()


def test_store_and_site_go_where_they_are_told(scapha: Scapha, here: Path) -> None:
    (here / "inbox").mkdir()
    assert scapha("nightly", "inbox", "--store", "a/b/s.duckdb", "--site", "c/d/pages").exit_code == 0
    assert (here / "a/b/scapha.key").is_file()
    assert (here / "c/d/pages/index.html").is_file()
    assert {path.name for path in here.iterdir()} == {"inbox", "a", "c"}


@pytest.mark.usefixtures("after")
def test_what_stands_rejected_exits_3_with_strict_though_nothing_is_new(scapha: Scapha) -> None:
    assert scapha("nightly", "inbox", "--strict").exit_code == 3
    assert scapha("report").exit_code == 0
    assert scapha("report", "--strict").exit_code == 3


def test_a_file_that_cannot_be_read_exits_3_with_strict(scapha: Scapha, here: Path) -> None:
    fill(here / "inbox", {"lots.csv": b""})
    assert scapha("nightly", "inbox", "--strict").exit_code == 3


def test_strict_and_alert_exit_0_where_there_is_nothing_to_say(scapha: Scapha, here: Path) -> None:
    fill(here / "inbox", {"branches.csv": GOOD["branches.csv"]})
    assert scapha("nightly", "inbox", "--strict", "--alert").exit_code == 0


SUMMARY: dict[str, Any] = {"counts": {"rejected_standing": 1}, "as_of": "2024-05-03", "open_signals": [{}]}


@pytest.mark.parametrize(
    ("options", "signals", "n_rejected", "code"),
    [
        ([], ("s1",), 1, 0),
        (["--alert"], ("s1",), 0, 4),
        (["--alert"], (), 1, 0),
        (["--strict"], ("s1",), 1, 3),
        (["--strict", "--alert"], ("s1",), 1, 4),
        (["--strict", "--alert"], (), 1, 3),
    ],
)
def test_a_new_signal_exits_4_with_alert_and_outranks_rejected_rows(
    scapha: Scapha,
    here: Path,
    monkeypatch: pytest.MonkeyPatch,
    options: list[str],
    signals: tuple[str, ...],
    n_rejected: int,
    code: int,
) -> None:
    outcome = Outcome(SUMMARY, None, signals, n_rejected, is_site_changed=True)
    monkeypatch.setattr(nightly, "run_night", lambda *_, **__: outcome)
    assert scapha("nightly", here, *options).exit_code == code


def test_an_inbox_without_rows_is_done_and_the_pages_say_so(scapha: Scapha, here: Path) -> None:
    (here / "inbox").mkdir()
    result = scapha("nightly", "inbox", "--json", "--quiet")
    assert result.exit_code == 0
    assert result.stderr.startswith("scapha: inbox holds no export. Put files there")
    assert document(result)["as_of"] is None
    for page in ("index.html", "safety.html", "intake.html"):
        text = re.sub(r"<[^>]+>", " ", (here / "site" / page).read_text("utf-8"))
        assert re.search(r"\bno (piercing|data|file|row)\b[^.]*\byet\b", text, re.IGNORECASE), page
    tables = list((here / "site" / "tables").glob("*.csv"))
    assert tables
    for table in tables:
        assert len(table.read_text("utf-8").splitlines()) == 1, f"{table.name} is no header alone"


@pytest.mark.parametrize("place", ["missing", "a_file"])
def test_an_inbox_that_is_no_folder_is_wrong_usage_and_nothing_is_made(scapha: Scapha, here: Path, place: str) -> None:
    (here / "a_file").write_text("x")
    result = scapha("nightly", place)
    assert (result.exit_code, result.stdout) == (2, "")
    assert place in result.stderr
    assert listing(here) == ["a_file"]


@pytest.mark.parametrize(
    "arguments",
    [
        ["nightly"],
        ["nightly", "inbox", "--as-of", "nonsense"],
        ["nightly", "inbox", "--as-of", "2024-02-30"],
        ["nightly", "inbox", "--as-of", "31.05.2024"],
        ["nightly", "inbox", "--nonsense"],
        ["nightly", "inbox", "another"],
        ["nightly", "inbox", "--settings", "missing.toml"],
        ["nightly", "inbox", "--settings", "bad.toml"],
        ["nightly", "inbox", "--site", "mine"],
        ["report", "--as-of", "nonsense"],
        ["report", "--settings", "bad.toml"],
        ["simulate"],
        ["simulate", "chain", "--branches", "0"],
        ["simulate", "chain", "--weeks", "many"],
        ["nonsense"],
    ],
    ids=" ".join,
)
def test_wrong_usage_exits_2_and_nothing_is_made(scapha: Scapha, here: Path, inbox: Path, arguments: list[str]) -> None:
    assert inbox.is_dir()
    fill(here, {"bad.toml": "timezon = 1\n", "mine/precious.txt": "x"})
    before = listing(here)
    result = scapha(*arguments)
    assert (result.exit_code, result.stdout) == (2, "")
    assert result.stderr
    assert listing(here) == before


def test_bad_settings_are_told_all_at_once_with_the_nearest_name(scapha: Scapha, here: Path, inbox: Path) -> None:
    fill(inbox, {"scapha.toml": 'timezon = "UTC"\nadult_age = "old"\n'})
    result = scapha("nightly", inbox)
    assert result.exit_code == 2
    assert "timezone" in result.stderr
    assert "adult_age" in result.stderr
    assert listing(here / "inbox") == ["branches.csv", "procedures.csv", "scapha.toml"]


def test_the_settings_of_the_inbox_hold_without_being_named_and_else_the_current_folder_s(
    scapha: Scapha, here: Path
) -> None:
    fill(here / "inbox", {"scapha.toml": 'chain_name = "Corner Shop"\n'})
    fill(here, {"scapha.toml": 'chain_name = "Elsewhere"\n'})
    assert scapha("nightly", "inbox").exit_code == 0
    assert "Corner Shop" in (here / "site" / "index.html").read_text("utf-8")
    assert scapha("report", "--site", "again").exit_code == 0
    assert "Elsewhere" in (here / "again" / "index.html").read_text("utf-8")


@pytest.mark.parametrize(("lost", "command"), [("scapha.key", ["nightly", "inbox"]), ("scapha.duckdb", ["report"])])
def test_a_lost_key_or_store_exits_1(scapha: Scapha, after: Path, lost: str, command: list[str]) -> None:
    (after / lost).unlink()
    result = scapha(*command)
    assert (result.exit_code, result.stdout) == (1, "")
    assert lost in result.stderr


def test_a_bug_exits_1_and_shows_itself(scapha: Scapha, inbox: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def breaks(*_: object, **__: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr(nightly, "take_in", breaks)
    result = scapha("nightly", inbox)
    assert result.exit_code == 1
    assert isinstance(result.exception, ZeroDivisionError)


def test_a_store_that_another_run_holds_exits_5(here: Path, inbox: Path) -> None:
    command = [sys.executable, "-m", "pipeline", "nightly", str(inbox), "--json"]
    with hold_lock(here / "scapha.duckdb"):
        result = subprocess.run(command, cwd=here, capture_output=True, text=True, check=False)
    assert result.returncode == 5
    assert json.loads(result.stdout)["exit_code"] == 5
    assert "scapha.duckdb" in result.stderr
    assert not {"\x1b", "\r"} & set(result.stdout + result.stderr)  # it ran on no terminal
    assert not (here / "scapha.duckdb").exists()
    assert not (here / "site").exists()


def test_a_report_holds_to_the_settings_of_the_last_night(scapha: Scapha, here: Path) -> None:
    fill(here / "inbox", {"scapha.toml": 'chain_name = "Corner Shop"\n'})
    assert scapha("nightly", "inbox").exit_code == 0
    assert scapha("report", "--site", "again").exit_code == 0
    assert "Corner Shop" in (here / "again" / "index.html").read_text("utf-8")


def test_a_report_without_its_key_exits_1(scapha: Scapha, after: Path) -> None:
    (after / "scapha.key").unlink()
    assert scapha("report").exit_code == 1


@pytest.mark.parametrize("option", ["--store", "--site"])
def test_a_place_inside_a_file_exits_2(scapha: Scapha, here: Path, inbox: Path, option: str) -> None:
    (here / "file").write_text("x")
    result = scapha("nightly", str(inbox), option, "file/x")
    assert (result.exit_code, result.stdout) == (2, "")
