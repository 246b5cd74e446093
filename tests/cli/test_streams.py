"""What goes to stdout and stderr, in words and as JSON, on a terminal and off it: CONTRACT section 3."""

import json
import os
import pty
import re
import subprocess
import sys
from pathlib import Path

import pytest

from support.exports import fill

from .conftest import CLIENT, N_OTHERS, Done, Scapha
from .documents import document

COLOUR = r"\x1b\[[0-9;]*m"


def test_messages_go_to_stderr_and_what_was_done_to_stdout(done: Done) -> None:
    told, said = done.result.stdout, done.result.stderr
    assert "taking in procedures" in said
    assert all(line.startswith("scapha: ") for line in said.splitlines())
    assert "scapha: " not in told
    assert re.search(r"\b3 rows accepted\b", told)
    assert "\x1b" not in told + said


def test_files_of_no_table_are_told_by_their_number(done: Done) -> None:
    page = (done.folder / "site" / "intake.html").read_text("utf-8")
    assert re.search(rf"\b{N_OTHERS}\b", done.result.output + page)


def test_each_new_file_that_cannot_be_read_is_named_with_its_remedy(scapha: Scapha, here: Path) -> None:
    fill(here / "inbox", {"lots.csv": b"", "sales_1.csv": b"sale_id\n1\n"})
    lines = scapha("nightly", "inbox", "--quiet").stderr.splitlines()
    assert lines[0] == "scapha: lots.csv cannot be read (file.empty). Export the file again: it holds no bytes."
    assert lines[1].startswith("scapha: sales_1.csv cannot be read (file.column_missing). Add what the header lacks:")
    assert len(lines) == 2
    assert scapha("nightly", "inbox", "--quiet").stderr == ""


def test_no_name_of_a_file_breaks_a_line(scapha: Scapha, here: Path) -> None:
    fill(here / "inbox", {"lots_\x1b[31m\n1.csv": b""})
    assert scapha("nightly", "inbox", "--quiet").stderr.startswith("scapha: lots_\ufffd[31m\ufffd1.csv cannot be read")


def test_no_message_and_no_page_tells_what_a_file_holds(done: Done) -> None:
    published = [path for path in (done.folder / "site").resolve().rglob("*") if path.is_file()]
    texts = [done.result.output, *(path.read_text("utf-8") for path in published)]
    assert any("procedures_bad.csv" in text for text in texts)
    for part in CLIENT.split():
        assert not [text for text in texts if part in text]


def test_a_night_answers_in_one_json_document(scapha: Scapha, after: Path) -> None:
    result = scapha("nightly", "inbox", "--json", "--quiet")
    told = document(result)
    assert (result.exit_code, result.stderr) == (0, "")
    published = json.loads((after / "site" / "summary.json").read_text("utf-8"), parse_constant=pytest.fail)
    assert published.pop("reader") == "quality lead"
    assert told == published | {"new_signals": [], "site_changed": False, "files_of_no_table": N_OTHERS}
    assert (told["counts"]["accepted"], told["counts"]["files_unreadable"]) == (3, 3)


@pytest.mark.usefixtures("after")
def test_a_report_answers_in_one_json_document(scapha: Scapha) -> None:
    told = document(scapha("report", "--json", "--as-of", "2024-01-01"))
    assert (told["as_of"], told["site_changed"]) == ("2024-01-01", True)


def test_other_commands_answer_in_one_json_document(scapha: Scapha) -> None:
    assert document(scapha("schema", "schemas", "--json"))["written"]
    assert document(scapha("simulate", "chain", "--branches", "1", "--weeks", "1", "--json"))


@pytest.mark.parametrize(
    ("arguments", "code"),
    [
        (["nightly", "missing"], 2),
        (["nightly", "inbox", "--settings", "missing.toml"], 2),
        (["nightly", "inbox", "--as-of", "nonsense"], 2),
        (["nightly", "inbox", "--nonsense"], 2),
        (["nightly"], 2),
        (["report"], 1),
        (["report", "--as-of", "nonsense"], 2),
        (["simulate", "chain", "--branches", "0"], 2),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else "",
)
def test_a_failure_too_answers_in_one_json_document(
    scapha: Scapha, inbox: Path, arguments: list[str], code: int
) -> None:
    assert inbox.is_dir()
    result = scapha(*arguments, "--json")
    assert result.exit_code == code
    assert document(result)["exit_code"] == code
    assert result.stderr


@pytest.mark.parametrize(("setting", "is_coloured"), [({}, True), ({"NO_COLOR": "1"}, False)])
def test_a_terminal_is_coloured_unless_it_asks_not_to_be(
    here: Path, setting: dict[str, str], is_coloured: bool
) -> None:
    shown = on_a_terminal([sys.executable, "-m", "pipeline", "nightly", "missing"], here, setting)
    assert "The inbox missing cannot be read" in shown
    assert bool(re.search(COLOUR, shown)) is is_coloured


def on_a_terminal(command: list[str], folder: Path, setting: dict[str, str]) -> str:
    """What a command that ends with exit code 2 shows on a terminal."""
    ours, theirs = pty.openpty()
    unset = {name: value for name, value in os.environ.items() if name != "NO_COLOR"}
    environment = {**unset, "TERM": "xterm-256color", **setting}
    with subprocess.Popen(command, cwd=folder, env=environment, stdout=theirs, stderr=theirs) as run:
        os.close(theirs)
        shown = read_all(ours)
    assert run.returncode == 2
    return shown


def read_all(handle: int) -> str:
    """Everything a terminal was sent until its last writer left."""
    found = b""
    while True:
        try:
            chunk = os.read(handle, 65536)
        except OSError:  # how Linux tells the end of a terminal
            chunk = b""
        if not chunk:
            os.close(handle)
            return found.decode("utf-8")
        found += chunk
