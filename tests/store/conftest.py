"""A shop to run whole nights for: an inbox, a store with its key, and a site, all in one folder."""

import hashlib
import shutil
import signal
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pytest

from pipeline import nightly
from pipeline.nightly import Outcome, run_night, run_report
from pipeline.settings import Settings
from support.exports import NOW, export, fill

Killed = Callable[..., None]


def silent(_: str) -> None:
    """Take no notice of progress."""


@dataclass(frozen=True)
class Shop:
    """A folder to run nights in."""

    folder: Path

    @property
    def inbox(self) -> Path:
        return self.folder / "inbox"

    @property
    def store(self) -> Path:
        return self.folder / "kept" / "shop.duckdb"

    @property
    def key(self) -> Path:
        return self.folder / "kept" / "scapha.key"

    @property
    def site(self) -> Path:
        return self.folder / "pages" / "site"

    def lay(self, files: dict[str, str]) -> None:
        """Lay files into the inbox."""
        fill(self.inbox, files)

    def night(
        self,
        files: dict[str, str] | None = None,
        *,
        now: datetime = NOW,
        as_of: date | None = None,
        progress: Callable[[str], None] = silent,
    ) -> Outcome:
        """Lay files into the inbox and run a night."""
        if files:
            self.lay(files)
        return run_night(
            self.inbox,
            store=self.store,
            site=self.site,
            settings=Settings(),
            as_of=as_of,
            clock=lambda: now.replace(tzinfo=UTC),
            progress=progress,
        )

    def report(self, site: Path, as_of: date | None = None) -> Outcome:
        """Publish again from the store."""
        return run_report(store=self.store, site=site, settings=Settings(), as_of=as_of, progress=silent)

    def state(self) -> dict[str, str]:
        """Every file of the store's and the site's folders with a digest of its bytes, every link with its goal."""
        found = {}
        for path in sorted([*self.folder.glob("kept/**/*"), *self.folder.glob("pages/**/*")]):
            if path.name.endswith(".lock") or (path.is_dir() and not path.is_symlink()):
                continue
            told = str(path.readlink()) if path.is_symlink() else hashlib.sha256(path.read_bytes()).hexdigest()
            found[str(path.relative_to(self.folder))] = told
        return found


MAY = [
    {"procedure_id": f"P{day}", "visit_id": f"V{day}", "performed_at": f"2024-05-{day:02}T10:00"}
    for day in range(1, 29)
]
FIRST = {
    "branches.csv": export("branches", {"timezone": "Europe/London"}),
    "procedures_1.csv": export(
        "procedures",
        *MAY,
        {"procedure_id": "P99", "site": "nose"},
        {"procedure_id": "P98", "performed_at": "2024-07-02T10:00"},
    ),
}


def plain_site(_: object, folder: Path) -> None:
    """A site that is quick to build, for tests of what happens around it."""
    (folder / "index.html").write_text("<p>built</p>")


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let sites be quick to build."""
    monkeypatch.setattr(nightly, "build_site", plain_site)


@pytest.fixture(scope="session")
def first_night(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a shop that has had its first night, with a plain site."""
    folder = tmp_path_factory.mktemp("shop") / "opened"
    folder.mkdir()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(nightly, "build_site", plain_site)
        Shop(folder).night(FIRST)
    return folder


@pytest.fixture
def open_shop(first_night: Path, tmp_path: Path) -> Shop:
    """A shop that has had its first night."""
    shutil.copytree(first_night, tmp_path / "shop", symlinks=True)
    return Shop(tmp_path / "shop")


@pytest.fixture
def shop(tmp_path: Path) -> Shop:
    return Shop(tmp_path)


@pytest.fixture
def killed(program: Callable[..., Any]) -> Killed:
    """Run a command in a process that is killed at the Nth call of a function, before that or after."""

    def run(function: str, *arguments: object, call: int = 1, after: bool = False, stdin: str = "") -> None:
        home, _, name = function.rpartition(".")
        ran = program("store.dying", home, name, call, "after" if after else "before", *arguments, stdin=stdin)
        assert ran.returncode == -signal.SIGKILL, ran.stderr

    return run
