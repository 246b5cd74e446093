"""Clients who are forgotten: nothing of theirs is left in any byte, nothing of others is lost, and it stays so."""

import hashlib
import hmac
import json
from collections.abc import Callable
from pathlib import Path

import duckdb
import polars as pl
import pytest

from pipeline import forget as forgetting
from pipeline import nightly
from pipeline.errors import LockedError, StoreError, UsageError
from pipeline.forget import Certificate, forget
from pipeline.intake.pseudonyms import Pseudonyms, read_key
from pipeline.store.database import hold_lock
from pipeline.store.journal import journal_path
from pipeline.store.originals import originals_folder
from support.exports import NOW, csv_text, export, row

from .conftest import Killed, Shop, plain_site, silent
from .histories import (
    Files,
    copy_of,
    differing,
    night,
    original_of,
    originals,
    places_of,
    rebuilt,
    tables,
)

KEY = "Cordelia Quillfeather 07700900461"
OTHER = "Barnaby Thistlewood"
UNKNOWN = "Nobody Nowhere"

THEIRS = {"client_key": KEY, "visit_id": "visit-mauve"}
NAMELESS = {"client_key": "", "visit_id": "visit-mauve"}
SHARED = {"client_key": OTHER, "visit_id": "visit-mauve"}
OTHERS = {"client_key": OTHER, "visit_id": "visit-green"}

FILES: Files = {
    "branches.csv": export("branches", {}),
    "products.csv": export("products", {}),
    "procedures_1.csv": export(
        "procedures",
        THEIRS | {"procedure_id": "hole-umber", "lot_no": "lot-of-umber", "recorded_at": "2024-05-04T10:00"},
        THEIRS | {"procedure_id": "hole-ochre", "site": "Private Nose 07700900461"},  # rejected
        THEIRS | {"procedure_id": "hole-lilac", "visit_id": "visit-rejected", "ear": "Upper Xxxxx 12345"},
        SHARED | {"procedure_id": "hole-other"},
        OTHERS | {"procedure_id": "hole-green"},
        OTHERS | {"procedure_id": "hole-refused", "site": "elbow"},
        NAMELESS | {"procedure_id": "hole-nameless"},
    ),
    "procedures_2.csv": export(
        "procedures",
        THEIRS | {"procedure_id": "hole-umber", "site": "helix", "recorded_at": "2024-05-05T10:00"},
    ),
    "follow_ups.csv": csv_text(
        [
            row("follow_ups", follow_up_id="told-mauve", **NAMELESS),
            row("follow_ups", follow_up_id="told-umber", visit_id="", procedure_id="hole-nameless"),
            row("follow_ups", follow_up_id="told-rejected", visit_id="visit-rejected"),
            row("follow_ups", follow_up_id="told-client", visit_id="", client_key=f"  {KEY} "),
            row("follow_ups", follow_up_id="told-green", visit_id="visit-green"),
            row("follow_ups", follow_up_id="told-shared", **SHARED),
        ]
    ),
    "revisits.csv": export("revisits", NAMELESS | {"revisit_id": "R-mauve"}, OTHERS | {"revisit_id": "R-green"}),
    "sales.csv": export(
        "sales",
        {"sale_id": "S-mauve", "client_key": KEY},
        {"sale_id": "S-mauve", "line_no": "2", **NAMELESS},
        {"sale_id": "S-green", **OTHERS},
        {"sale_id": "S-nobody"},
    ),
}
GONE = ("visit-mauve", "visit-rejected", "hole-umber", "hole-ochre", "hole-lilac", "hole-nameless", "told-mauve")
"""Ids of theirs. The visit stays where another client names it."""
WHOLLY_GONE = GONE[1:]


@pytest.fixture(scope="module")
def opened(tmp_path_factory: pytest.TempPathFactory) -> Shop:
    """A shop after a night with two clients' rows."""
    shop = Shop(tmp_path_factory.mktemp("forget") / "shop")
    shop.folder.mkdir()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(nightly, "build_site", plain_site)
        night(shop, FILES)
    return shop


@pytest.fixture
def before(opened: Shop, tmp_path: Path) -> Shop:
    """The shop before anyone is forgotten."""
    return copy_of(opened, tmp_path / "before")


def erase(shop: Shop, *keys: str, progress: Callable[[str], None] = silent) -> Certificate:
    return forget(keys or (KEY,), shop.store, now=NOW, progress=progress)


@pytest.fixture(scope="module")
def erased(opened: Shop, tmp_path_factory: pytest.TempPathFactory) -> tuple[Shop, Certificate]:
    """The shop after one of its clients is forgotten, and the certificate."""
    shop = copy_of(opened, tmp_path_factory.mktemp("erased") / "shop")
    return shop, erase(shop)


@pytest.fixture
def after(erased: tuple[Shop, Certificate], tmp_path: Path) -> Shop:
    """The shop after one of its clients is forgotten."""
    return copy_of(erased[0], tmp_path / "after")


def values(shop: Shop, table: str, *columns: str) -> list[tuple[object, ...]]:
    with duckdb.connect(str(shop.store), read_only=True) as con:
        return con.execute(f"select {', '.join(columns)} from {table} order by all").fetchall()


def traces(shop: Shop) -> tuple[str, ...]:
    """What may stand in no byte: the client's hash and key, and every id that only rows of theirs name."""
    return (
        Pseudonyms(read_key(shop.store)).of(KEY),
        KEY,
        *WHOLLY_GONE,
        "lot-of-umber",
        "told-client",
        "R-mauve",
        "S-mauve",
    )


def tombstone(kind: str, value: str, shop: Shop) -> str:
    """A tombstone made without the code that makes them: RFC 2104 over the kind and the value."""
    key = bytes.fromhex(shop.key.read_text("ascii"))
    return hmac.new(key, f"{kind} {value}".encode(), hashlib.sha256).hexdigest()


def test_before_it_the_search_finds_all_that_is_theirs(before: Shop) -> None:
    hashed, key, *ids = traces(before)
    found = places_of(before, [hashed, key, *ids])
    assert {word for place, word in found if place == "originals"} == {hashed, *ids}
    rejected = {"visit-rejected", "hole-ochre", "hole-lilac"}
    assert {word for place, word in found if place == "store"} >= {hashed, *ids} - rejected
    assert key not in {word for _, word in found}
    assert places_of(before, ["procedures_1.csv"]) >= {("journal", "procedures_1.csv")}


def test_after_it_no_byte_of_store_originals_or_journal_tells_of_them(after: Shop) -> None:
    assert places_of(after, traces(after)) == set()


def test_after_a_night_too(after: Shop, quick: None) -> None:
    assert quick is None
    night(after, day=1)
    assert places_of(after, traces(after)) == set()


def test_every_version_and_every_row_that_names_only_their_visit_or_piercing_is_gone(after: Shop) -> None:
    assert values(after, "raw_procedures", "procedure_id", "visit_id") == [
        ("hole-green", "visit-green"),
        ("hole-other", "visit-mauve"),
    ]
    assert values(after, "raw_follow_ups", "follow_up_id") == [("told-green",), ("told-shared",)]
    assert values(after, "raw_revisits", "revisit_id") == [("R-green",)]
    assert values(after, "raw_sales", "sale_id") == [("S-green",), ("S-nobody",)]


def test_others_rows_stay_as_they_were(before: Shop, after: Shop) -> None:
    was, is_now = tables(before.store), tables(after.store)
    for table in (name for name in was if name.startswith("raw_")):
        assert {row[1:] for row in is_now[table]} <= {row[1:] for row in was[table]}
    for table in ("file", "run", "recheck", "watch_memory", "kept_settings", "raw_branches", "raw_products"):
        assert is_now[table] == was[table], table


def test_a_refused_row_of_theirs_is_gone_from_the_ledger_and_another_s_stays(before: Shop, after: Shop) -> None:
    was = values(before, "rejection", "line", "rule", "value_shape")
    assert [line for line, *_ in was] == [3, 4, 7]
    assert values(after, "rejection", "line", "rule", "value_shape") == was[2:]


def test_results_no_longer_name_their_piercings(before: Shop, after: Shop) -> None:
    named = {procedure for (procedure,) in values(before, "result_record_gaps", "procedure_id")}
    assert {"hole-umber", "hole-green"} <= named
    assert {procedure for (procedure,) in values(after, "result_record_gaps", "procedure_id")} == {
        "hole-other",
        "hole-green",
    }


def test_originals_keep_others_rows_with_their_lines(before: Shop, after: Shop) -> None:
    frame = original_of(after, "procedures")
    assert frame["line"].to_list() == [5, 6, 7]
    rows = original_of(before, "procedures").filter(pl.col("procedure_id").is_in(frame["procedure_id"].to_list()))
    assert rows.select(frame.columns).equals(frame)
    assert originals(after).keys() == originals(before).keys()


def test_the_certificate_is_right(erased: tuple[Shop, Certificate], before: Shop) -> None:
    shop, certificate = erased
    hashed = Pseudonyms(read_key(shop.store)).of(KEY)
    in_store = sum(value == hashed for rows in tables(before.store).values() for found in rows for value in found)
    in_originals = sum(frame.write_csv().count(hashed) for frame in originals(before).values())
    assert certificate.as_dict() == {
        "forgotten_at": "2024-07-01T12:00:00",
        "version": certificate.version,
        "keys": 1,
        "keys_found": 1,
        "rows_removed": {"procedures": 3, "follow_ups": 4, "revisits": 1, "sales": 2},
        "rows_removed_from_originals": {"procedures": 5, "follow_ups": 4, "revisits": 1, "sales": 2},
        "originals_rewritten": 5,
        "tombstones": 7,  # the client, two visits, four piercings
        "hashes_found": in_store + in_originals,
        "hashes_left": 0,
        "store_sha256": hashlib.sha256(shop.store.read_bytes()).hexdigest(),
    }
    assert in_store == 4
    assert KEY not in " ".join(certificate.lines())
    assert "Rows removed from the store, every version of them: 3 of procedures, 4 of follow_ups" in " ".join(
        certificate.lines()
    )


def test_the_published_site_stays_until_the_next_night(before: Shop, quick: None) -> None:
    assert quick is None
    site = {name: told for name, told in before.state().items() if name.startswith("pages")}
    assert site
    erase(before)
    assert {name: told for name, told in before.state().items() if name.startswith("pages")} == site


def test_the_next_night_publishes_tables_without_them(before: Shop) -> None:
    erase(before)
    outcome = before.night()
    assert outcome.is_site_changed
    gaps = (before.site / "tables" / "record_gaps.csv").read_text("utf-8")
    assert "hole-green" in gaps
    assert "hole-umber" not in gaps


def test_a_file_sent_again_is_refused_for_their_rows_alone(after: Shop, quick: None) -> None:
    assert quick is None
    again: Files = {f"again/{name}": f"{content!s}\r\n" for name, content in FILES.items()}
    night(after, again, day=1)
    counts = values(after, "file", "path", "rows", "accepted", "rejected", "duplicate", "superseded")
    assert all(rows == sum(fates) for _, rows, *fates in counts)  # type: ignore[arg-type]
    fates = {path: tuple(found) for path, *found in counts if str(path).startswith("again/")}
    assert fates["again/procedures_1.csv"] == (7, 0, 5, 2, 0)
    assert fates["again/follow_ups.csv"] == (6, 0, 4, 2, 0)
    assert fates["again/sales.csv"] == (4, 0, 2, 2, 0)
    refused = values(after, "rejection join file using (file_id)", "path", "line", "rule")
    assert [(line, rule) for path, line, rule in refused if path == "again/procedures_1.csv"] == [
        (2, "row.forgotten"),
        (3, "row.forgotten"),
        (4, "row.forgotten"),
        (7, "word.allowed"),
        (8, "row.forgotten"),
    ]
    assert places_of(after, traces(after)) == set()
    assert differing(tables(after.store), rebuilt(after)) == []


@pytest.mark.parametrize("changes", [{"visit_id": " visit-mauve "}, {"client_key": f"\t{KEY}", "visit_id": "new"}])
def test_space_around_does_not_let_them_in_again(after: Shop, quick: None, changes: dict[str, str]) -> None:
    assert quick is None
    night(after, {"sales_2.csv": export("sales", {"sale_id": "S-again"} | changes)}, day=1)
    assert values(after, "file", "accepted", "rejected")[-1] != (1, 0)
    assert ("S-again",) not in values(after, "raw_sales", "sale_id")


def test_the_same_bytes_under_another_name_let_none_in(after: Shop, quick: None) -> None:
    assert quick is None
    night(after, {f"again/{name}": content for name, content in FILES.items()}, day=1)
    counts = values(after, "file", "path", "rows", "accepted", "rejected", "duplicate", "superseded")
    assert [(path, accepted) for path, _, accepted, *_ in counts if str(path).startswith("again") and accepted] == []
    assert all(rows == sum(fates) for _, rows, *fates in counts)  # type: ignore[arg-type]
    assert places_of(after, traces(after)) == set()
    assert differing(tables(after.store), rebuilt(after)) == []


def test_a_known_file_checked_again_for_another_s_row_brings_none_back(after: Shop, quick: None) -> None:
    assert quick is None
    night(after, {}, {"files": "**", "values": {"site": {"elbow": "conch"}}}, day=1)
    assert ("hole-refused",) in values(after, "raw_procedures", "procedure_id")
    assert values(after, "rejection", "rule") == []
    assert places_of(after, traces(after)) == set()
    assert differing(tables(after.store), rebuilt(after)) == []


def test_a_rebuild_does_not_bring_them_back_and_equals_the_store(after: Shop) -> None:
    before = tables(after.store)
    assert before["tombstone"]
    assert differing(before, rebuilt(after)) == []
    assert places_of(after, traces(after)) == set()


def test_nor_does_one_from_originals_of_before(before: Shop, after: Shop) -> None:
    held = tables(after.store)
    for path in originals_folder(before.store).iterdir():
        (originals_folder(after.store) / path.name).write_bytes(path.read_bytes())
    assert {name for name in differing(held, rebuilt(after)) if name.startswith("raw_")} == set()
    certificate = erase(after)
    assert certificate.rows_removed_from_originals["procedures"] == 5
    assert places_of(after, traces(after)) == set()


STEPS = ["_gather", "_clear_rejections", "_bury", "rejudge", "catch_up", "_clear_originals", "rewrite_store"]


def ended(shop: Shop, wanted: Shop) -> None:
    """Hold what is left after an erasure was ended by running it again against one that went through.

    A store made again from the same journal and originals is the same: that of the other is tested by itself.
    """
    erase(shop)
    assert places_of(shop, traces(shop)) == set()
    assert differing(tables(wanted.store), tables(shop.store)) == []
    assert {name: frame.write_csv() for name, frame in originals(shop).items()} == {
        name: frame.write_csv() for name, frame in originals(wanted).items()
    }
    assert journal_path(shop.store).read_bytes() == journal_path(wanted.store).read_bytes()
    assert shop.state().keys() == wanted.state().keys()


@pytest.mark.parametrize("step", STEPS)
def test_one_that_fails_is_ended_by_running_it_again(
    before: Shop, erased: tuple[Shop, Certificate], monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    def breaks(*_: object) -> None:
        raise ZeroDivisionError

    held = before.state()
    with monkeypatch.context() as patch:
        patch.setattr(forgetting, step, breaks)
        with pytest.raises(ZeroDivisionError):
            erase(before)
    if step not in ("_clear_originals", "rewrite_store"):
        assert {**before.state(), "kept/shop.duckdb": ""} == {**held, "kept/shop.duckdb": ""}
        assert places_of(before, [traces(before)[0]]) >= {
            ("store", traces(before)[0]),
            ("originals", traces(before)[0]),
        }
    ended(before, erased[0])


@pytest.mark.parametrize(("function", "call"), [("write_parquet", n) for n in (2, 4)] + [("rewrite_store", 1)])
def test_one_that_is_killed_is_ended_by_running_it_again(
    before: Shop, erased: tuple[Shop, Certificate], killed: Killed, function: str, call: int
) -> None:
    killed(f"pipeline.forget.{function}", "forget", "--store", before.store, call=call, stdin=KEY)
    assert places_of(before, traces(before)) != set()
    ended(before, erased[0])


@pytest.mark.parametrize("function", ["catch_up", "rewrite_store"])
def test_one_that_is_killed_once_a_step_is_done_is_too(
    before: Shop, erased: tuple[Shop, Certificate], killed: Killed, function: str
) -> None:
    killed(f"pipeline.forget.{function}", "forget", "--store", before.store, after=True, stdin=KEY)
    ended(before, erased[0])


def test_what_killed_runs_left_beside_the_store_is_taken_away(before: Shop, killed: Killed) -> None:
    killed("pipeline.rebuild.rejudge", "rebuild", "--store", before.store)
    for name in ("shop.duckdb.rebuilding", "shop.duckdb.rebuilding.wal", "shop.duckdb.rewriting"):
        (before.store.parent / name).write_bytes(b"hole-umber")
    (originals_folder(before.store) / "left.procedures.plain.1.aside").write_bytes(b"hole-umber")
    erase(before)
    assert places_of(before, traces(before)) == set()


def test_keys_are_trimmed_and_empty_ones_are_none(before: Shop) -> None:
    certificate = erase(before, "", f"\ufeff  {KEY}\t", "   ", KEY)
    assert (certificate.keys, certificate.keys_found, certificate.hashes_left) == (1, 1, 0)


def test_several_are_forgotten_at_once(before: Shop) -> None:
    certificate = erase(before, KEY, OTHER, UNKNOWN)
    assert (certificate.keys, certificate.keys_found) == (3, 2)
    assert values(before, "raw_procedures", "count(*)") == [(0,)]
    assert values(before, "raw_sales", "sale_id") == [("S-nobody",)]


def test_an_unknown_key_is_refused_when_it_comes(before: Shop, quick: None) -> None:
    assert quick is None
    held = {name: rows for name, rows in tables(before.store).items() if name != "tombstone"}
    certificate = erase(before, UNKNOWN)
    hashed = Pseudonyms(read_key(before.store)).of(UNKNOWN)
    assert (certificate.keys, certificate.keys_found, certificate.tombstones) == (1, 0, 1)
    assert (certificate.hashes_found, certificate.hashes_left, certificate.originals_rewritten) == (0, 0, 0)
    assert sum(certificate.rows_removed.values()) == 0
    assert "known here: 0" in " ".join(certificate.lines())
    now = tables(before.store)
    assert now.pop("tombstone") == [("client_key", tombstone("client_key", hashed, before))]
    assert differing(held, now) == []
    night(before, {"sales_2.csv": export("sales", {"client_key": UNKNOWN, "sale_id": "S7"})}, day=1)
    assert values(before, "rejection", "rule")[0] == ("row.forgotten",)


def test_again_it_finds_none_and_changes_no_table(after: Shop) -> None:
    held = tables(after.store)
    certificate = erase(after)
    assert (certificate.keys_found, certificate.hashes_found, sum(certificate.rows_removed.values())) == (0, 0, 0)
    assert differing(held, tables(after.store)) == []


def test_signals_stay_remembered(before: Shop) -> None:
    with duckdb.connect(str(before.store)) as con:
        held = con.execute("from watch_memory order by all").fetchall()
        raised = ("signal", "raised", '{"raised_on": "2024-06-01"}')
        con.execute("insert into watch_memory values (?, ?, ?)", raised)
    erase(before)
    assert values(before, "watch_memory", "*") == sorted([*held, raised])
    told = [json.loads(line) for line in journal_path(before.store).read_text("utf-8").splitlines()]
    assert {"remembered": "signal", "id": "raised", "document": {"raised_on": "2024-06-01"}} in told


@pytest.mark.parametrize("keys", [[], [""], ["  ", "\ufeff"]])
def test_without_a_key_it_is_wrong_usage_and_nothing_is_changed(before: Shop, keys: list[str]) -> None:
    held = before.state()
    with pytest.raises(UsageError) as caught:
        forget(keys, before.store, now=NOW, progress=silent)
    assert caught.value.exit_code == 2
    assert before.state() == held


def test_where_no_store_is_nothing_is_made(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="There is no store"):
        forget([KEY], tmp_path / "elsewhere" / "shop.duckdb", now=NOW, progress=silent)
    assert list(tmp_path.iterdir()) == []


def test_a_store_that_another_run_holds_is_left_alone(before: Shop) -> None:
    held = before.state()
    with hold_lock(before.store), pytest.raises(LockedError):
        erase(before)
    assert before.state() == held


@pytest.mark.parametrize("spoil", ["unlink", "write"])
def test_with_a_lost_or_wrong_key_nothing_is_changed(before: Shop, spoil: str) -> None:
    if spoil == "unlink":
        before.key.unlink()
    else:
        before.key.write_text("ab" * 32)
    held = before.state()
    with pytest.raises(StoreError):
        erase(before)
    assert before.state() == held


def test_no_message_tells_a_key(before: Shop) -> None:
    said: list[str] = []
    certificate = erase(before, KEY, UNKNOWN, progress=said.append)
    told = " ".join([*said, *certificate.lines(), json.dumps(certificate.as_dict())])
    assert said
    words = [*KEY.split(), *UNKNOWN.split(), *(Pseudonyms(read_key(before.store)).of(key) for key in (KEY, UNKNOWN))]
    assert [word for word in words if word in told] == []
