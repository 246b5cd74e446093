"""Pages of branches: made of a branch's own rows they say what they say of all, whichever process draws them."""

import os
import subprocess
import sys
from concurrent.futures.process import _RemoteTraceback
from pathlib import Path

import pytest

from reports import branch_pages
from reports.branch_pages import branches_drawn, path_of
from reports.edition import Edition
from reports.pages import branch
from reports.rendering import NAVIGATION, Setting, render

SETTING = Setting(NAVIGATION, {"index.html", "tables/weekly.csv"}, "As known on a day.")
TESTS = Path(__file__).parents[1]


def of_all_rows(edition: Edition, branch_id: str) -> tuple[str, str]:
    """A branch's page, made of every branch's rows."""
    context = branch.build(edition, branch_id)
    path = path_of(branch_id)
    return path, render("branch.html", context, chain_name=edition.chain_name, setting=SETTING, here=path)


def test_of_its_own_rows_a_page_is_as_of_all(sample: Edition) -> None:
    with branches_drawn(sample, ["B02", "B01"], SETTING) as pages:
        assert list(pages) == [of_all_rows(sample, "B02"), of_all_rows(sample, "B01")]


def test_processes_draw_the_same_pages_and_what_fails_in_one_is_told_here(
    sample: Edition, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(branch, "MOST_BRANCHES", 1)
    monkeypatch.setattr(branch_pages, "MOST_PROCESSES", 1)
    monkeypatch.setattr(branch_pages, "_AT_ONCE", 1)
    environment = dict(os.environ)
    with branches_drawn(sample, ["B02", "B01", "nowhere"], SETTING) as pages:
        assert [next(pages), next(pages)] == [of_all_rows(sample, "B02"), of_all_rows(sample, "B01")]
        with pytest.raises(Exception, match="out of bounds") as failed:
            next(pages)
    assert isinstance(failed.value.__cause__, _RemoteTraceback)
    assert "in build" in str(failed.value.__cause__)
    assert dict(os.environ) == environment


def test_without_branches_there_are_no_pages(sample: Edition) -> None:
    with branches_drawn(sample, [], SETTING) as pages:
        assert list(pages) == []


_PARENT = """
import os, time
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from reports.branch_pages import _end_with_parent
if __name__ == "__main__":
    with ProcessPoolExecutor(1, get_context("spawn"), initializer=_end_with_parent) as pool:
        print(pool.submit(os.getpid).result(), flush=True)
        time.sleep(600)
"""


def test_processes_end_with_the_night_that_is_killed(tmp_path: Path) -> None:
    program = tmp_path / "parent.py"
    program.write_text(_PARENT)
    with subprocess.Popen(
        [sys.executable, program],
        stdout=subprocess.PIPE,
        env=os.environ | {"PYTHONPATH": str(TESTS.parent)},
        start_new_session=True,
    ) as parent:
        assert parent.stdout is not None
        os.kill(int(parent.stdout.readline()), 0)
        parent.kill()
        parent.communicate(timeout=60)  # comes to an end once the other has ended too, which holds the pipe as well
