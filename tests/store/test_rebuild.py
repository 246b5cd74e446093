"""A store made again from its originals and its journal is the store that was, whatever the nights were like."""

import gzip
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import duckdb
import pytest

from pipeline import nightly
from pipeline import rebuild as rebuilding
from pipeline.errors import LockedError, StoreError
from pipeline.rebuild import rebuild
from pipeline.store import originals as keeping
from pipeline.store.database import hold_lock
from pipeline.store.journal import journal_path
from pipeline.store.originals import originals_folder
from support.exports import Row, csv_text, export, row
from support.workbooks import saved, written_book

from .conftest import Killed, Shop, plain_site, silent
from .histories import Files, Tables, copy_of, differing, night, originals, rebuilt, tables

SPLIT = {"files": "split/*", "split": {"column": "ear", "value": "both", "into": ["left", "right"]}}
SHELVES = [{"files": f"{branch}/*", "constants": {"branch_id": branch}} for branch in ("B1", "B2")]
COMMA = {"files": "sales.csv", "decimal_mark": ","}
SEMICOLON = {"files": "stock_counts.csv", "delimiter": ";"}
NOTE = '{"incident_id": "I-0", "why": "größe"}'
LONGEST = "P" * 195  # with -left 200 characters, as many as an id may have; with -right one too many


def without(table: str, column: str) -> Row:
    return {name: value for name, value in row(table).items() if name != column}


def json_lines(table: str, *changes: Row) -> str:
    return "".join(json.dumps(row(table, **change)) + "\n" for change in changes)


def book(**rows: list[Row]) -> bytes:
    return saved(
        written_book({table: [list(found[0]), *(list(one.values()) for one in found)] for table, found in rows.items()})
    )


NIGHTS: list[tuple[Files, list[dict[str, Any]], dict[str, Any]]] = [
    (
        {
            "branches.csv": export("branches", {"timezone": "Europe/London"}),
            "procedures_1.csv": export(
                "procedures",
                {},
                {"procedure_id": "P2", "site": "nose", "notes": "call back"},
                {"procedure_id": "P3", "performed_at": "2024-07-02T10:00"},  # after the night's clock
                {},
                {"procedure_id": "P4", "recorded_at": "2024-06-02T10:00"},
                {"procedure_id": "P4", "ear": "left", "recorded_at": "2024-06-01T10:00"},
            )
            + "P5,too,few\r\n",
            "procedures_noon.csv": export("procedures", {"procedure_id": "P6", "performed_at": "2024-07-01T13:30"}),
            "lots_größe.csv": b"",
            "sales.csv": export("sales", {}, {"line_no": "2", "net_amount": "7,5"}),
            "sales_1.jsonl": json_lines("sales", {"sale_id": "S2"}, {"sale_id": "S3", "quantity": "many"}) + "{\n",
            "follow_ups.csv.gz": gzip.compress(export("follow_ups", {}).encode(), mtime=0),
            "shop.xlsx": book(revisits=[row("revisits")], articles=[row("articles")]),
            "stock_counts.csv": export("stock_counts", {}).replace(",", ";"),
            "split/procedures.csv": export(
                "procedures", {"procedure_id": LONGEST, "ear": "both"}, {"procedure_id": "P7", "ear": "both"}
            ),
            "a/products.csv": export("products", {}, {"product_id": ":"}),
            "b/products.csv": export("products", {}, {"product_id": ":"}),
        },
        [SPLIT],
        {},
    ),
    (
        {
            "procedures_0.csv": export("procedures", {"ear": "right", "recorded_at": "2024-04-01T10:00"}),
            "procedures_2.csv": export("procedures", {"site": "helix", "recorded_at": "2024-06-20T10:00"}),
            "lots_größe.csv": export("lots", {}),
            "practitioners.csv": "practitioner_id\r\n",
        },
        [SPLIT],
        {},
    ),
    (
        {
            "again/procedures_1.csv": b"",  # to be the bytes of the first night's
            "B1/stock_counts.csv": csv_text([without("stock_counts", "branch_id")]),
            "B2/stock_counts.csv": csv_text([without("stock_counts", "branch_id")]),
        },
        [SPLIT, COMMA, SEMICOLON, *SHELVES],
        {"timezone": "America/New_York"},
    ),
    ({}, [SPLIT, COMMA, SEMICOLON, *SHELVES], {"adult_age": 5, "allowed_site_groups": ["lobe"]}),
    ({"sales_2.csv": export("sales", {"sale_id": "S9"})}, [SPLIT], {"timezone": "UTC"}),
]
NIGHTS[2][0]["again/procedures_1.csv"] = NIGHTS[0][0]["procedures_1.csv"]


@pytest.fixture(scope="module")
def history(tmp_path_factory: pytest.TempPathFactory) -> list[Shop]:
    """A shop after each night of a history."""
    folder = tmp_path_factory.mktemp("history")
    shop = Shop(folder / "shop")
    shop.folder.mkdir()
    after = []
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(nightly, "build_site", plain_site)
        for day, (files, sources, others) in enumerate(NIGHTS):
            night(shop, files, *sources, day=day, **others)
            if day == 0:
                with duckdb.connect(str(shop.store)) as con:
                    con.execute("insert into watch_memory values ('note', '000001', ?)", [NOTE])
            after.append(copy_of(shop, folder / f"night {day}"))
    return after


@pytest.fixture
def shop(history: list[Shop], tmp_path: Path) -> Shop:
    """A shop after all nights of the history."""
    return copy_of(history[-1], tmp_path / "shop")


def test_the_history_has_all_that_could_be_made_again_wrongly(history: list[Shop]) -> None:
    held = tables(history[-1].store)
    assert {table: len(rows) for table, rows in held.items() if table in ("recheck", "run")} == {
        "recheck": 3,
        "run": 4,
    }
    assert {kind for kind, *_ in held["watch_memory"]} == {"note", "thresholds"}
    with duckdb.connect(str(history[-1].store), read_only=True) as con:
        totals = con.execute("select sum(rejected), sum(duplicate), sum(superseded) from file").fetchall()
        assert con.execute("select count(*) from file where mapping <> ''").fetchall() == [(6,)]
        assert con.execute("select path from file where not is_readable").fetchall() == [("lots_größe.csv",)]
    assert min(totals[0]) > 1
    rules = {rule for *_, rule, _, _ in held["rejection"]}
    assert {"file.empty", "row.fields", "row.json", "word.allowed", "id.form"} <= rules
    assert "file.column_missing" not in rules  # the stock counts, mended by a setting
    assert "time.future" not in rules  # accepted a night later
    assert {f"{LONGEST}-left", "P7-left", "P7-right"} & {row[4] for row in held["raw_procedures"]} == {
        "P7-left",
        "P7-right",
    }  # one part of the other record breaks a rule


@pytest.mark.parametrize("nights", range(1, len(NIGHTS) + 1))
def test_every_table_is_as_it_was(history: list[Shop], tmp_path: Path, nights: int) -> None:
    shop = copy_of(history[nights - 1], tmp_path / "shop")
    before = without_memory(tables(shop.store), shop)
    assert before["raw_procedures"]
    assert differing(before, rebuilt(shop)) == []


def without_memory(held: Tables, shop: Shop) -> Tables:
    """A store's tables, less the note that was put into it behind the first night's back: no journal knows it yet."""
    if NOTE in journal_path(shop.store).read_text("utf-8"):
        return held
    return held | {"watch_memory": [row for row in held["watch_memory"] if row[0] != "note"]}


def test_what_was_noted_is_kept(shop: Shop) -> None:
    assert ("note", "000001", NOTE) in rebuilt(shop)["watch_memory"]


def test_what_is_published_from_it_is_the_same(shop: Shop) -> None:
    shop.report(shop.folder / "before")
    rebuilt(shop)
    shop.report(shop.folder / "after")
    found = [
        {path.relative_to(site.resolve()): path.read_bytes() for path in site.resolve().rglob("*") if path.is_file()}
        for site in (shop.folder / "before", shop.folder / "after")
    ]
    assert Path("tables/rejected_rows.csv") in found[0]
    assert found[0] == found[1]


@pytest.mark.usefixtures("quick")
def test_the_night_after_finds_nothing_new(shop: Shop) -> None:
    files, sources, others = NIGHTS[-1]
    night(shop, files, *sources, day=9, **others)
    before = tables(shop.store)
    rebuilt(shop)
    outcome = night(shop, {}, *sources, day=10, **others)
    assert outcome.taken is not None
    assert not outcome.taken.is_something
    assert differing(before, tables(shop.store)) == []


def test_originals_in_many_parts_are_read_in_their_order(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(nightly, "build_site", plain_site)
    monkeypatch.setattr(keeping, "_ROWS_PER_PART", 1)
    monkeypatch.setattr("pipeline.intake.batches.BATCH_RECORDS", 1)
    shop = Shop(tmp_path)
    changes = [{"sale_id": f"S{at}", "notes": '"'} for at in range(12)]
    night(shop, {"sales.csv": export("sales", *changes)})
    before = tables(shop.store)
    assert len(originals(shop)) == 12
    assert differing(before, rebuilt(shop)) == []
    next(originals_folder(shop.store).glob("*.7-12.parquet")).unlink()
    with pytest.raises(StoreError, match=r"The original of sales\.csv is missing"):
        rebuild(shop.store, progress=silent)


def test_a_file_added_by_a_night_that_failed_is_not_in_it(shop: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    def breaks(*_: object) -> None:
        raise ZeroDivisionError

    before = tables(shop.store)
    monkeypatch.setattr(nightly, "build_site", breaks)
    with pytest.raises(ZeroDivisionError):
        night(shop, {"lots_9.csv": export("lots", {"lot_no": "L9"})}, day=9)
    assert differing(before, rebuilt(shop)) == []


def lose_an_original(shop: Shop) -> None:
    next(originals_folder(shop.store).glob("*.follow_ups.*")).unlink()


def damage_an_original(shop: Shop) -> None:
    path = next(originals_folder(shop.store).glob("*.follow_ups.*"))
    path.write_bytes(path.read_bytes()[:-40])


def lose_the_journal(shop: Shop) -> None:
    journal_path(shop.store).unlink()


def damage_the_journal(shop: Shop) -> None:
    lines = journal_path(shop.store).read_bytes().split(b"\n")
    journal_path(shop.store).write_bytes(b"\n".join([lines[0], lines[1][:-9], *lines[2:]]))


def spoil_the_journal(shop: Shop) -> None:
    content = journal_path(shop.store).read_bytes()
    journal_path(shop.store).write_bytes(content.replace("größe".encode(), b"gr\xff\xfe"))


def lose_a_run(shop: Shop) -> None:
    lines = journal_path(shop.store).read_bytes().splitlines(keepends=True)
    first = next(at for at, line in enumerate(lines) if b'"run_id": 2' in line)
    journal_path(shop.store).write_bytes(b"".join([*lines[:first], *lines[first + 1 :]]))


def lose_the_key(shop: Shop) -> None:
    shop.key.unlink()


def take_another_key(shop: Shop) -> None:
    shop.key.write_text("ab" * 32)


FAULTS: list[tuple[Callable[[Shop], None], str]] = [
    (lose_an_original, r"The original of follow_ups\.csv\.gz is missing"),
    (damage_an_original, "is damaged"),
    (lose_the_journal, "There is no journal"),
    (damage_the_journal, "line 2 is damaged"),
    (spoil_the_journal, "is damaged"),
    (lose_a_run, "The journal lacks run 2"),
    (lose_the_key, "is missing beside the store"),
    (take_another_key, "is not the one its clients were hashed with"),
]


@pytest.mark.parametrize(("spoil", "told"), FAULTS, ids=[spoil.__name__ for spoil, _ in FAULTS])
def test_what_lacks_is_told_and_nothing_is_changed(shop: Shop, spoil: Callable[[Shop], None], told: str) -> None:
    spoil(shop)
    before = shop.state()
    with pytest.raises(StoreError, match=told) as caught:
        rebuild(shop.store, progress=silent)
    assert caught.value.exit_code == 1
    assert caught.value.remedy
    assert shop.state() == before


def test_where_no_store_is_a_rebuild_that_fails_makes_none(shop: Shop) -> None:
    lose_an_original(shop)
    shop.store.unlink()
    before = shop.state()
    with pytest.raises(StoreError):
        rebuild(shop.store, progress=silent)
    assert shop.state() == before


def test_a_last_line_cut_short_is_left_out_and_what_it_told_is_lost(shop: Shop) -> None:
    before = tables(shop.store)
    path = journal_path(shop.store)
    path.write_bytes(path.read_bytes() + '{"run": {"path": "grö'.encode()[:-1])
    assert differing(before, rebuilt(shop)) == []


def test_a_store_that_another_run_holds_is_left_alone(shop: Shop) -> None:
    before = shop.state()
    with hold_lock(shop.store), pytest.raises(LockedError):
        rebuild(shop.store, progress=silent)
    assert shop.state() == before


def test_a_rebuild_that_fails_leaves_the_store(shop: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    def breaks(*_: object) -> None:
        raise ZeroDivisionError

    before = shop.state()
    monkeypatch.setattr(rebuilding, "rejudge", breaks)
    with pytest.raises(ZeroDivisionError):
        rebuild(shop.store, progress=silent)
    assert shop.state() == before


@pytest.mark.parametrize("step", ["_put_back", "rejudge"])
def test_a_rebuild_that_is_killed_leaves_the_store_and_the_next_is_whole(shop: Shop, killed: Killed, step: str) -> None:
    before, held = shop.state(), tables(shop.store)
    killed(f"pipeline.rebuild.{step}", "rebuild", "--store", shop.store)
    left = shop.state()
    assert {name: left[name] for name in before} == before
    rebuild(shop.store, progress=silent)
    assert differing(held, tables(shop.store)) == []
    assert shop.state().keys() == before.keys()
