"""A night that is killed is put right by running it again."""

import subprocess
import sys
from pathlib import Path

import pytest

from .conftest import FIRST, Shop


def kill_at(step: str, shop: Shop) -> None:
    """Run a night in a process of its own and kill it as soon as it says that it has come to a step."""
    paths = (shop.inbox, "--store", shop.store, "--site", shop.site)
    command = [sys.executable, "-m", "pipeline", "nightly", *map(str, paths)]
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True) as night:
        assert night.stderr is not None
        said = []
        for line in night.stderr:
            said.append(line)
            if step in line:
                night.kill()
                break
        assert step in said[-1], said


def pages(shop: Shop) -> dict[Path, bytes]:
    """The tables of a site but for the list of files, which says when each was loaded."""
    tables = (shop.site / "tables").resolve()
    return {path.relative_to(tables): path.read_bytes() for path in tables.glob("*.csv") if path.name != "intake.csv"}


@pytest.fixture(scope="module")
def unharmed(tmp_path_factory: pytest.TempPathFactory) -> dict[Path, bytes]:
    """What a night that nothing happens to publishes."""
    shop = Shop(tmp_path_factory.mktemp("unharmed"))
    shop.night(FIRST)
    return pages(shop)


@pytest.mark.parametrize("step", ["taking in procedures", "drawing pages"])
def test_a_first_night_killed_at_a_step_is_done_by_the_next(shop: Shop, unharmed: dict[Path, bytes], step: str) -> None:
    shop.lay(FIRST)
    kill_at(step, shop)
    outcome = shop.night()
    assert pages(shop) == unharmed
    assert outcome.summary["counts"]["accepted"] == 29
    assert len([path for path in shop.site.parent.iterdir() if path.is_dir() and not path.is_symlink()]) == 1
    names = {"shop.duckdb", "shop.duckdb.lock", "shop.journal.jsonl", "shop.originals", "scapha.key"}
    assert {path.name for path in shop.store.parent.iterdir()} == names
