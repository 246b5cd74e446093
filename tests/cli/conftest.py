"""Running `scapha` in this process, in a folder of its own, before and after a first night."""

import shutil
from collections.abc import Callable
from contextlib import chdir
from dataclasses import dataclass
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from pipeline.cli import main
from support.exports import export, fill

Scapha = Callable[..., Result]

GOOD = {
    "branches.csv": export("branches", {}),
    "procedures.csv": export("procedures", {}, {"procedure_id": "P2", "ear": "left"}),
}
CLIENT = "Cordelia Quillfeather 07700900461"
"""What no message and no page may tell."""

BAD = {
    "lots.csv": "",
    "procedures_bad.csv": export("procedures", {"procedure_id": "P3", "site": CLIENT, "notes": CLIENT}),
    "procedures_bare.csv": f"P4,{CLIENT}\n",
    "sales.csv": f'sale_id,notes\n"{CLIENT}',
}
N_OTHERS = 431
OTHERS = {f"clients_{at}.csv": CLIENT for at in range(N_OTHERS)}


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The current folder of the test."""
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def scapha(here: Path) -> Scapha:
    """Run the command with arguments in the test's folder."""
    assert here.is_dir()
    return run


@pytest.fixture
def inbox(here: Path) -> Path:
    """An inbox of good rows."""
    fill(here / "inbox", GOOD)
    return here / "inbox"


@dataclass(frozen=True)
class Done:
    """A first night that is done: its folder, with the inbox in it, and what the command gave."""

    folder: Path
    result: Result


@pytest.fixture(scope="session")
def done(tmp_path_factory: pytest.TempPathFactory) -> Done:
    """A first night over good rows, bad ones, and files of no table."""
    folder = tmp_path_factory.mktemp("done") / "shop"
    folder.mkdir()
    fill(folder / "inbox", GOOD | BAD | OTHERS)
    with chdir(folder):
        return Done(folder, run("nightly", "inbox"))


@pytest.fixture
def after(done: Done, here: Path) -> Path:
    """The current folder of a test that goes on from a first night."""
    shutil.copytree(done.folder, here, symlinks=True, dirs_exist_ok=True)
    return here
