"""The journal: an entry for all that exports cannot give again, true to the store whenever a night ends or dies."""

import json
from pathlib import Path
from typing import Any

import duckdb
import pytest

from pipeline import nightly
from pipeline.errors import StoreError
from pipeline.store.journal import catch_up, journal_path, read_journal, runs_of
from support.exports import export

from .conftest import Killed, Shop, plain_site
from .histories import Files, copy_of, differing, night, originals, rebuilt, tables

pytestmark = pytest.mark.usefixtures("quick")

FIRST: Files = {
    "lots.csv": export("lots", {}),
    "procedures_größe.csv": export("procedures", {}),
    "sales.csv": b"",
}
SECOND: Files = {"lots_2.csv": export("lots", {"lot_no": "L2"})}


@pytest.fixture(scope="module")
def first(tmp_path_factory: pytest.TempPathFactory) -> Shop:
    """A shop after its first night, for tests to go on from copies of it."""
    shop = Shop(tmp_path_factory.mktemp("first") / "shop")
    shop.folder.mkdir()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(nightly, "build_site", plain_site)
        night(shop, FIRST)
    return shop


@pytest.fixture
def opened(first: Shop, tmp_path: Path) -> Shop:
    """A shop after its first night."""
    return copy_of(first, tmp_path / "opened")


def entries(shop: Shop) -> list[dict[str, Any]]:
    """The journal read by the plain reading of JSON lines."""
    return [json.loads(line) for line in journal_path(shop.store).read_text("utf-8").splitlines()]


def test_a_night_s_entries_name_key_run_files_failures_settings_and_what_the_watch_remembers(opened: Shop) -> None:
    key, run, settings, *memory = entries(opened)
    assert key.keys() == {"key"}
    assert settings.keys() == {"settings"}
    assert (run["run"]["run_id"], run["run"]["files"], run["run"]["accepted"]) == (1, 3, 2)
    assert [file["path"] for file in run["files"]] == ["lots.csv", "procedures_größe.csv", "sales.csv"]
    assert [failure["rule"] for failure in run["failures"]] == ["file.empty"]
    assert run["rechecks"] == []
    assert {entry["remembered"] for entry in memory} == {"thresholds"}
    assert "infection 2024-05-03" in {entry["id"] for entry in memory}


def test_a_night_with_nothing_new_writes_nothing(opened: Shop) -> None:
    before = journal_path(opened.store).read_bytes()
    night(opened, day=1)
    assert journal_path(opened.store).read_bytes() == before


@pytest.mark.parametrize("step", ["take_in", "count", "build_site"])
def test_a_night_that_fails_leaves_it_as_it_was(opened: Shop, monkeypatch: pytest.MonkeyPatch, step: str) -> None:
    def breaks(*_: object, **__: object) -> None:
        raise ZeroDivisionError

    before = opened.state()
    monkeypatch.setattr(nightly, step, breaks)
    with pytest.raises(ZeroDivisionError):
        night(opened, SECOND, day=1, adult_age=21)
    assert opened.state() == before


def test_a_first_night_that_fails_after_it_was_written_leaves_none(shop: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    written: list[dict[str, Any]] = []

    def writes_and_breaks(con: duckdb.DuckDBPyConnection, store: Path) -> None:
        catch_up(con, store)
        written.extend(entries(shop))
        if len(written) > 2:
            raise ZeroDivisionError

    monkeypatch.setattr(nightly, "catch_up", writes_and_breaks)
    with pytest.raises(ZeroDivisionError):
        night(shop, FIRST)
    assert {"run", "settings"} <= {name for entry in written for name in entry}
    assert shop.state() == {}


def kill_before_commit(killed: Killed, shop: Shop, files: Files) -> None:
    """Let a night die when its entries are in the journal and nothing is committed."""
    for name, content in files.items():
        (shop.inbox / name).write_bytes(content if isinstance(content, bytes) else content.encode())
    arguments = ("nightly", shop.inbox, "--store", shop.store, "--site", shop.site)
    killed("pipeline.nightly.catch_up", *arguments, call=2, after=True)


def test_a_night_killed_between_journal_and_commit_is_undone_by_the_next(opened: Shop, killed: Killed) -> None:
    before = tables(opened.store)
    kill_before_commit(killed, opened, SECOND)
    assert [run["run"]["run_id"] for run in runs_of(read_journal(opened.store))] == [1, 2]
    assert differing(before, tables(opened.store)) == []
    (opened.inbox / "lots_2.csv").unlink()
    night(opened, day=1)
    assert [run["run"]["run_id"] for run in runs_of(read_journal(opened.store))] == [1]
    night(opened, {"lots_3.csv": export("lots", {"lot_no": "L3"})}, day=2)
    held = tables(opened.store)
    assert [(path, run_id) for _, run_id, path, *_ in held["file"] if run_id == 2] == [("lots_3.csv", 2)]
    assert differing(held, rebuilt(opened)) == []


def test_a_night_killed_there_and_done_again_is_written_as_it_was_done(opened: Shop, killed: Killed) -> None:
    kill_before_commit(killed, opened, SECOND)
    assert len(originals(opened)) == 3
    night(opened, {"lots_0.csv": export("lots", {"lot_no": "L0"})}, day=2)
    held = tables(opened.store)
    assert [path for *_, path in sorted((row[0], row[2]) for row in held["file"])][3:] == ["lots_0.csv", "lots_2.csv"]
    assert differing(held, rebuilt(opened)) == []


@pytest.mark.parametrize("cut", [1, 40], ids="{} bytes short".format)
def test_a_line_cut_short_is_mended_by_the_next_night(opened: Shop, cut: int) -> None:
    path, whole = journal_path(opened.store), entries(opened)
    path.write_bytes(path.read_bytes()[:-cut])
    night(opened, day=1)
    assert entries(opened) == whole
    assert differing(tables(opened.store), rebuilt(opened)) == []


def test_a_line_cut_within_a_letter_is_mended_by_the_next_night(opened: Shop) -> None:
    path = journal_path(opened.store)
    content = path.read_bytes()
    path.write_bytes(content[: content.index("ö".encode()) + 1])
    night(opened, day=1)
    assert [name for entry in entries(opened) for name in entry if name in ("key", "run", "settings")] == [
        "key",
        "run",
        "settings",
    ]
    assert differing(tables(opened.store), rebuilt(opened)) == []


def test_a_journal_that_is_lost_is_written_again_by_the_next_night(opened: Shop) -> None:
    path = journal_path(opened.store)
    before = path.read_bytes()
    path.unlink()
    night(opened, day=1)
    assert path.read_bytes() == before


@pytest.mark.parametrize("damage", [b"{", b"\xff\xfe", b"\0" * 9])
def test_damage_within_it_stops_a_night_and_nothing_is_changed(opened: Shop, damage: bytes) -> None:
    path = journal_path(opened.store)
    first, rest = path.read_bytes().split(b"\n", 1)
    path.write_bytes(first + b"\n" + damage + b"\n" + rest)
    before = opened.state()
    with pytest.raises(StoreError, match="line 2 is damaged") as caught:
        night(opened, SECOND, day=1)
    assert "backup" in caught.value.remedy
    assert opened.state() == before


def remember(shop: Shop, signals: dict[str, str]) -> None:
    """Let exactly these signals be remembered, by id and day raised."""
    with duckdb.connect(str(shop.store)) as con:
        con.execute("delete from watch_memory where kind = 'signal'")
        for name, raised_on in signals.items():
            con.execute(
                "insert into watch_memory values ('signal', ?, ?)",
                [name, json.dumps(remembered(raised_on), sort_keys=True)],
            )


def remembered(raised_on: str) -> dict[str, str]:
    """What is remembered of a signal, no more than the night must have."""
    return dict.fromkeys(("signal_id", "incident_id"), "S-0") | {"raised_on": raised_on, "faded_on": raised_on}


def test_what_the_watch_remembers_is_that_of_the_store_even_after_a_night_that_was_killed(opened: Shop) -> None:
    remember(opened, {"stays": "2024-06-01", "moves": "2024-06-02", "was never raised": "2024-06-03"})
    night(opened, day=1)
    remember(opened, {"stays": "2024-06-01", "moves": "2024-06-09"})
    night(opened, day=2)
    told = {entry["id"]: entry["document"] for entry in entries(opened) if entry.get("remembered") == "signal"}
    assert told == {"stays": remembered("2024-06-01"), "moves": remembered("2024-06-09"), "was never raised": None}
    assert differing(tables(opened.store), rebuilt(opened)) == []


def test_of_settings_the_last_hold(opened: Shop) -> None:
    for day, age in ((1, 21), (2, 18)):
        night(opened, day=day, adult_age=age)
    told = [json.loads(entry["settings"])["adult_age"] for entry in entries(opened) if "settings" in entry]
    assert told == [18, 21, 18]
    assert differing(tables(opened.store), rebuilt(opened)) == []
