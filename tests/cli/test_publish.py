"""`scapha publish`: an edition in a folder of its own, what is refused, and what the command says."""

import json
import stat
from pathlib import Path

import pytest

from .conftest import Scapha

OUTSIDE_FILES = {"index.html", "summary.json", "tables/quarter_complications.csv", "tables/quarter_piercings.csv"}


def files_of(folder: Path) -> set[str]:
    root = folder.resolve()
    return {path.relative_to(root).as_posix() for path in root.rglob("*") if path.is_file()}


def test_an_edition_is_published_and_then_stands(scapha: Scapha, after: Path) -> None:
    first = scapha("publish", "given", "--for", "outside", "--json")
    assert first.exit_code == 0
    document = json.loads(first.stdout)
    assert {name: document[name] for name in ("reader", "first_page", "site_changed")} == {
        "reader": "outside", "first_page": "index.html", "site_changed": True,
    }  # fmt: skip
    assert files_of(after / "given") == OUTSIDE_FILES
    again = scapha("publish", "given", "--for", "outside", "--quiet")
    assert (again.exit_code, again.stdout) == (0, "given/index.html stands as it was, for: outside.\n")
    assert again.stderr == ""
    modes = {stat.S_IMODE(path.stat().st_mode) for path in (after / "given").resolve().rglob("*")}
    assert modes == {0o600, 0o700}


def test_a_branch_gets_its_page_and_another_folder_is_needed_for_others(scapha: Scapha, after: Path) -> None:
    done = scapha("publish", "given", "--for", "branch", "B1", "--as-of", "2024-05-03")
    assert (done.exit_code, done.stdout) == (0, "given/branch/B1.html is published, for: branch B1.\n")
    before = (after / "given").readlink()
    for refused in (("given", "--for", "owner"), ("site", "--for", "owner")):
        result = scapha("publish", *refused, "--json")
        assert result.exit_code == 2
        assert json.loads(result.stdout)["exit_code"] == 2
    for command in (("report",), ("nightly", "inbox")):
        assert scapha(*command, "--site", "given").exit_code == 2
    assert (after / "given").readlink() == before


@pytest.mark.usefixtures("after")
@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("given", "--for", "branch"), "needs the branch's id"),
        (("given", "--for", "branch", "B9"), "There is no branch B9. Name one of B1."),
        (("given", "--for", "owner", "B1"), "takes no branch"),
        (("given", "--for", "everyone"), "Invalid value for '--for'"),
        (("given",), "Missing option '--for'"),
        (("inbox", "--for", "owner"), "was not published by Scapha"),
    ],
)
def test_what_cannot_be_published_is_wrong_usage_and_leaves_nothing(
    scapha: Scapha, here: Path, arguments: tuple[str, ...], says: str
) -> None:
    result = scapha("publish", *arguments)
    assert result.exit_code == 2
    assert says in result.stderr
    assert not (here / "given").exists()
    assert [path.name for path in here.iterdir() if path.name.startswith(".given")] == []


def test_without_a_store_it_fails(scapha: Scapha, here: Path) -> None:
    assert scapha("publish", "given", "--for", "owner").exit_code == 1
    assert not (here / "given").exists()


@pytest.mark.usefixtures("after")
def test_an_edition_given_away_that_is_damaged_is_not_built_upon(scapha: Scapha, here: Path) -> None:
    assert scapha("publish", "given", "--for", "outside").exit_code == 0
    table = (here / "given" / "tables" / "quarter_piercings.csv").resolve()
    table.write_text("quarter,site_group\n2030-01-01,all,9\nx", encoding="utf-8")
    result = scapha("publish", "given", "--for", "outside")
    assert result.exit_code == 1
    assert "not as it was published" in result.stderr
