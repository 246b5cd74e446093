"""A night that something happens to leaves store and site whole, and the next night mends what is to be mended.

Each test runs one of this folder's programs with small numbers, and looks at what it printed.
"""

import os
import re
from collections.abc import Callable
from pathlib import Path

import pytest

from .conftest import Ran

pytestmark = pytest.mark.faults
Program = Callable[..., Ran]
CODE_IS_OPEN = os.getuid() != 0 or all(folder.stat().st_mode & 0o001 for folder in Path(__file__).resolve().parents)


def findings(ran: Ran) -> list[str]:
    """What a program printed of what was not well; a line names the case, then what was wrong with it."""
    return [line for line in ran.stdout.splitlines() if not line.endswith((": well", "; well", "with findings"))]


def test_nights_killed_anywhere_are_whole_and_lose_and_double_nothing(fault_program: Program) -> None:
    ran = fault_program("kills", 4, 3)
    assert ran.returncode == 0, ran.stdout + ran.stderr
    found = re.search(r"^(\d+) kills", ran.stdout)
    assert found
    assert int(found[1]) >= 4


def test_a_call_that_fails_leaves_all_as_it_was_and_says_so_in_a_line(fault_program: Program) -> None:
    ran = fault_program("sweep", "later night", "FULL", 3)
    assert findings(ran) == []
    counted = [int(n) for n in re.findall(r": (\d+) calls", ran.stdout)]
    assert len(counted) == 1
    assert min(counted) >= 3


def test_a_first_night_that_fails_leaves_nothing_that_stops_the_next(fault_program: Program) -> None:
    ran = fault_program("sweep", "first night", "FULL", 4)
    assert findings(ran) == []
    assert len(re.findall(r": (\d+) calls", ran.stdout)) == 1


def test_a_full_disk_leaves_all_as_it_was_and_is_told_as_what_it_is(fault_program: Program) -> None:
    ran = fault_program("full_disk", "short")
    assert findings(ran) == []
    assert "exit 1" in ran.stdout
    assert "exit 0" in ran.stdout


@pytest.mark.skipif(not CODE_IS_OPEN, reason="nobody cannot get at this checkout, so no night can run as nobody")
def test_rights_that_lack_are_told_and_change_nothing_and_of_two_runs_one_waits(fault_program: Program) -> None:
    ran = fault_program("rights")
    assert findings(ran) == []
    assert "many runs at once: well" in ran.stdout


def test_an_inbox_that_changes_under_a_night_loses_no_row(fault_program: Program) -> None:
    ran = fault_program("moving")
    assert findings(ran) == []
    assert "links, pipes, folders named like files: well" in ran.stdout
