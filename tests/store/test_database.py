"""The store's file: made, opened, migrated and refused; nothing half done stays in it."""

import stat
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import duckdb
import pytest

from pipeline.errors import LockedError, StoreError
from pipeline.store import database
from pipeline.store.database import SCHEMA_VERSION, hold_lock, key_fingerprint, open_store, read_store
from support.exports import KEY


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "shop.duckdb"


@pytest.fixture
def store(path: Path) -> Path:
    """A store with one run in it."""
    with open_store(path, KEY) as con:
        con.execute("insert into watch_memory values ('signal', 'kept', '{}')")
        con.execute("commit")
    return path


def remembered(store: Path) -> list[tuple[str]]:
    with duckdb.connect(str(store), read_only=True) as con:
        return con.execute("select id from watch_memory order by all").fetchall()


def alter(store: Path, statement: str) -> None:
    with duckdb.connect(str(store)) as con:
        con.execute(statement)


def test_a_new_store_says_what_it_is_and_is_for_its_owner_s_eyes(store: Path) -> None:
    with read_store(store) as con:
        assert con.execute("from store").fetchall() == [("scapha", SCHEMA_VERSION, key_fingerprint(KEY))]
    assert stat.S_IMODE(store.stat().st_mode) == 0o600


def test_what_is_committed_stays(store: Path) -> None:
    with open_store(store, KEY) as con:
        con.execute("insert into watch_memory values ('signal', 'later', '{}')")
        con.execute("commit")
    assert remembered(store) == [("kept",), ("later",)]


@pytest.mark.parametrize("fails", [True, False])
def test_what_is_not_committed_is_undone(store: Path, fails: bool) -> None:
    before = store.read_bytes()
    try:
        with open_store(store, KEY) as con:
            con.execute("insert into watch_memory values ('signal', 'later', '{}')")
            con.execute("create table extra as from range(1000)")
            if fails:
                raise ZeroDivisionError
    except ZeroDivisionError:
        assert fails
    assert store.read_bytes() == before
    assert remembered(store) == [("kept",)]


def test_a_new_store_that_fails_leaves_no_file(path: Path) -> None:
    with pytest.raises(ZeroDivisionError), open_store(path, KEY) as con:
        con.execute("create table extra as from range(1000)")
        raise ZeroDivisionError
    assert list(path.parent.iterdir()) == []


def test_nothing_spilled_stays_beside_the_store(store: Path) -> None:
    spill = store.with_name(store.name + ".spill")
    spill.mkdir()
    (spill / "duckdb_temp_storage-0.tmp").write_bytes(b"x")
    with open_store(store, KEY) as con:
        con.execute("commit")
    assert not spill.exists()


def foreign(statement: str) -> Callable[[Path], None]:
    return lambda path: alter(path, statement)


NO_STORES: dict[str, Callable[[Path], object]] = {
    "text": lambda path: path.write_text("this is no database\n" * 1000),
    "other database file": lambda path: path.write_bytes(b"SQLite format 3\0" + bytes(4096)),
    "foreign tables": foreign("create table customers (name varchar)"),
    "a table named store": foreign("create table store (city varchar)"),
    "another application": foreign("create table store as select 'other' as application, 1 as schema_version"),
    "an empty table named store": foreign("create table store (application varchar, schema_version integer)"),
    "a foreign view": foreign("create view takings as select 42 as amount"),
}


@pytest.mark.parametrize("make", NO_STORES.values(), ids=NO_STORES.keys())
def test_what_is_no_store_is_refused_and_left_as_it_is(path: Path, make: Callable[[Path], object]) -> None:
    make(path)
    before = path.read_bytes()
    with pytest.raises(StoreError) as caught, open_store(path, KEY) as con:
        con.execute("commit")
    assert caught.value.exit_code == 1
    assert str(path) in caught.value.problem
    assert caught.value.remedy
    assert path.read_bytes() == before


@pytest.mark.parametrize("make", NO_STORES.values(), ids=NO_STORES.keys())
def test_what_is_no_store_is_not_read(path: Path, make: Callable[[Path], object]) -> None:
    make(path)
    with pytest.raises(StoreError), read_store(path):
        pass


@pytest.mark.parametrize("damage", [0, 5000, 300_000])
def test_a_damaged_store_is_refused_or_read_whole(store: Path, damage: int) -> None:
    content = bytearray(store.read_bytes())
    content[damage : damage + 2000] = bytes(2000)
    store.write_bytes(content)
    try:
        with read_store(store) as con:
            assert con.execute("select id from watch_memory").fetchall() == [("kept",)]
    except StoreError as error:
        assert error.exit_code == 1


def test_a_store_of_a_newer_version_is_refused(store: Path) -> None:
    alter(store, "update store set schema_version = 999")
    before = store.read_bytes()
    with pytest.raises(StoreError, match="newer"), open_store(store, KEY):
        pass
    with pytest.raises(StoreError, match="newer"), read_store(store):
        pass
    assert store.read_bytes() == before


def test_a_store_of_an_older_version_is_not_read_until_a_night_brings_it_forward(
    store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bring_forward(
        monkeypatch, "-- A comment; with a semicolon\ncreate table added (x integer); create table more (y integer);"
    )
    with pytest.raises(StoreError, match="older") as caught, read_store(store):
        pass
    assert "nightly" in caught.value.remedy
    with open_store(store, KEY) as con:
        con.execute("commit")
    with read_store(store) as con:
        assert con.execute("select schema_version from store").fetchall() == [(SCHEMA_VERSION + 1,)]
        assert con.execute("select count(*) from added").fetchall() == [(0,)]
    assert remembered(store) == [("kept",)]


@pytest.mark.parametrize("statements", ["create table added (x integer); select 1/", "create table run (x integer);"])
def test_a_migration_that_fails_leaves_the_store_as_it_was(
    store: Path, monkeypatch: pytest.MonkeyPatch, statements: str
) -> None:
    before = store.read_bytes()
    bring_forward(monkeypatch, statements)
    with pytest.raises(duckdb.Error), open_store(store, KEY):
        pass
    assert store.read_bytes() == before


def bring_forward(monkeypatch: pytest.MonkeyPatch, statements: str) -> None:
    """Let this program know one migration more than the store."""
    migrations = [*database._migrations(), (SCHEMA_VERSION + 1, statements)]
    monkeypatch.setattr(database, "_migrations", lambda: migrations)
    monkeypatch.setattr(database, "SCHEMA_VERSION", SCHEMA_VERSION + 1)


def test_a_reader_cannot_write(store: Path) -> None:
    with read_store(store) as con, pytest.raises(duckdb.Error, match="read-only"):
        con.execute("delete from watch_memory")


def test_a_reader_finds_no_store_where_there_is_none(path: Path) -> None:
    for missing in (path, path.parent):
        with pytest.raises(StoreError) as caught, read_store(missing):
            pass
        assert "scapha nightly" in caught.value.remedy
    assert list(path.parent.iterdir()) == []


@pytest.mark.parametrize(
    "statement",
    [
        "copy watch_memory to '{}/out.csv'",
        "attach '{}/other.duckdb'",
        "from read_csv('{}/in.csv')",
        "set enable_external_access = true",
        "install httpfs",
    ],
)
def test_nothing_outside_the_store_can_be_reached_from_sql(store: Path, statement: str) -> None:
    (store.parent / "in.csv").write_text("a\n1\n")
    with read_store(store) as con, pytest.raises(duckdb.Error):
        con.execute(statement.format(store.parent))
    assert {entry.name for entry in store.parent.iterdir()} == {store.name, "in.csv"}


HOLDER = """
import sys, pathlib
from pipeline.store.database import hold_lock
with hold_lock(pathlib.Path(sys.argv[1])):
    print("held", flush=True)
    sys.stdin.read()
"""


def test_a_store_is_held_by_one_run_at_a_time_and_let_go_even_by_one_that_is_killed(store: Path) -> None:
    with subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(store)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "held\n"
        with pytest.raises(LockedError) as caught, hold_lock(store):
            pass
        assert caught.value.exit_code == 5
        holder.kill()
        holder.wait()
        with hold_lock(store):
            pass


def test_a_lock_that_lies_about_holds_nobody_up(store: Path) -> None:
    store.with_name(store.name + ".lock").touch()
    with hold_lock(store):
        pass


OPENER = """
import sys, duckdb
con = duckdb.connect(sys.argv[1])
print("open", flush=True)
sys.stdin.read()
"""


def test_a_store_that_another_program_has_open_is_locked(store: Path) -> None:
    with subprocess.Popen(
        [sys.executable, "-c", OPENER, str(store)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as opener:
        assert opener.stdout is not None
        assert opener.stdout.readline() == "open\n"
        for opening in (open_store(store, KEY), read_store(store)):
            with pytest.raises(LockedError), opening:
                pass
        opener.kill()
    assert remembered(store) == [("kept",)]
