"""Originals: what is kept of a file, and what never is."""

import json
import stat
from collections.abc import Callable
from pathlib import Path

import polars as pl
import pytest

from pipeline import nightly
from pipeline.contract.tables import TABLE_BY_NAME
from pipeline.errors import StoreError
from pipeline.intake.pseudonyms import Pseudonyms, read_key
from pipeline.store import originals as keeping
from pipeline.store.originals import REFUSED, Originals, originals_folder, write_parquet
from support.exports import csv_text, export, row

from .conftest import Shop, plain_site
from .histories import Files, copy_of, night, original_of, originals, places_of, tables

pytestmark = pytest.mark.usefixtures("quick")

CLIENT = "Cordelia-Quillfeather-07700900461"
NOTES = "Thistlewood wants a call back on 07700 900777"
CANARIES = ("Cordelia", "Quillfeather", "07700900461", "Thistlewood", "07700 900777")
"""Of a client's key, and of a column that is not declared."""
KEPT = "vespertine"

OPEN_QUOTE = export("sales", {"client_key": CLIENT}) + f'S2,"{CLIENT}'
PRIVATE: Files = {
    "procedures.csv": export(
        "procedures",
        {"client_key": CLIENT, "visit_id": KEPT, "notes": NOTES},
        {"client_key": CLIENT, "visit_id": KEPT, "notes": NOTES, "site": "nose", "procedure_id": "P2"},
    )
    + f"P3,{CLIENT},{NOTES}\r\n",
    "sales.csv": OPEN_QUOTE,
    "revisits.jsonl": json.dumps(row("revisits", notes=NOTES)) + f'\n{{"client_key": "{CLIENT}\n',
    "follow_ups_1.csv": export("follow_ups", {"client_key": CLIENT, "name": NOTES}),
    "follow_ups_2.csv": f"{NOTES},{CLIENT}\r\n",
}


@pytest.fixture(scope="module")
def private(tmp_path_factory: pytest.TempPathFactory) -> Shop:
    """A shop that took in what may not stay, in every way a record can go."""
    shop = Shop(tmp_path_factory.mktemp("private"))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(nightly, "build_site", plain_site)
        night(shop, PRIVATE)
    return shop


def test_no_key_name_number_or_free_text_stands_in_any_byte_beside_the_store(private: Shop) -> None:
    assert places_of(private, CANARIES) == set()


def test_the_search_finds_what_is_kept_and_what_it_ought_not_find(private: Shop, tmp_path: Path) -> None:
    private = copy_of(private, tmp_path / "copy")
    assert places_of(private, [KEPT]) == {("store", KEPT), ("originals", KEPT)}
    assert places_of(private, ["follow_ups_1.csv"]) >= {("journal", "follow_ups_1.csv")}
    write_parquet(pl.DataFrame({"notes": [NOTES] * 50}), originals_folder(private.store) / "planted.parquet")
    assert places_of(private, ["Thistlewood"]) >= {("originals", "Thistlewood")}


def test_no_progress_tells_of_a_client(shop: Shop) -> None:
    shop.lay({name: str(content) for name, content in PRIVATE.items()})
    said: list[str] = []
    outcome = shop.night(progress=said.append)
    told = " ".join([*said, *outcome.warnings, str(outcome.summary)])
    assert "sales.csv" in told
    assert [canary for canary in CANARIES if canary in told] == []


def test_an_original_has_the_declared_columns_alone_with_clients_hashed(private: Shop) -> None:
    frame = original_of(private, "procedures")
    assert set(frame.columns) == {"line", "part", *TABLE_BY_NAME["procedures"].column_names, *REFUSED}
    expected = Pseudonyms(read_key(private.store)).of(CLIENT)
    assert frame["client_key"].to_list() == [expected, expected, None]


def test_rejected_rows_are_kept_with_their_values_and_refused_records_as_line_and_rule(private: Shop) -> None:
    frame = original_of(private, "procedures")
    assert frame["line"].to_list() == [2, 3, 4]
    assert frame["site"].to_list() == ["lobe", "nose", None]
    [refused] = frame.filter(pl.col("refused_rule").is_not_null()).to_dicts()
    told = {name: value for name, value in refused.items() if value is not None}
    assert told == {"line": 4, "refused_rule": "row.fields", "refused_detail": "8"}


BROKEN: dict[str, str | bytes] = {
    "open quote": OPEN_QUOTE,
    "bytes that do not decode": export("sales", {}).encode() + b"\xff\xfe",
    "no header": "",
    "a column twice": export("sales", {}).replace("net_amount", "sale_id"),
    "a required column missing": "sale_id\r\nS1\r\n",
}


@pytest.mark.parametrize("content", BROKEN.values(), ids=BROKEN.keys())
def test_of_a_file_that_cannot_be_read_nothing_is_kept(
    shop: Shop, content: str | bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(keeping, "_ROWS_PER_PART", 1)
    monkeypatch.setattr("pipeline.intake.batches.BATCH_RECORDS", 1)
    night(shop, {"sales.csv": content})
    assert tables(shop.store)["file"] != []
    assert list(originals_folder(shop.store).glob("*")) == []


def test_a_file_without_rows_is_kept(shop: Shop) -> None:
    night(shop, {"lots.csv": "lot_no\r\n"})
    assert [frame.height for frame in originals(shop).values()] == [0]


def test_the_same_bytes_are_kept_once_for_each_way_they_are_read(shop: Shop) -> None:
    content = csv_text([{name: value for name, value in row("stock_counts").items() if name != "branch_id"}])
    shelves = [{"files": f"{branch}/*", "constants": {"branch_id": branch}} for branch in ("B1", "B2")]
    same = export("lots", {})
    files: Files = {f"{branch}/stock_counts.csv": content for branch in ("B1", "B2")}
    night(shop, files | {"a/lots.csv": same, "b/lots.csv": same}, *shelves)
    assert original_of(shop, "stock_counts")["branch_id"].unique().sort().to_list() == ["B1", "B2"]
    assert sorted(name.split(".")[1] for name in originals(shop)) == ["lots", "stock_counts", "stock_counts"]


def test_only_their_owner_can_read_them(private: Shop) -> None:
    folder = originals_folder(private.store)
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    assert {stat.S_IMODE(path.stat().st_mode) for path in folder.iterdir()} == {0o600}


@pytest.mark.parametrize("step", ["count", "judge", "build_site"])
def test_a_night_that_fails_leaves_them_as_they_were(shop: Shop, monkeypatch: pytest.MonkeyPatch, step: str) -> None:
    seen: list[int] = []

    def breaks(*_: object, **__: object) -> None:
        seen.append(len(originals(shop)))
        raise ZeroDivisionError

    night(shop, {"lots.csv": export("lots", {})})
    before = shop.state()
    with monkeypatch.context() as patch:
        patch.setattr(nightly, step, breaks)
        with pytest.raises(ZeroDivisionError):
            night(shop, PRIVATE, day=1)
    assert seen == [4]  # the night had kept three of its files by then
    assert shop.state() == before


def in_parts(store: Path, *, closed: bool) -> Originals:
    """Originals with a file of three parts, whole or left by a run that was killed before it was."""
    kept = Originals(store)
    adding = kept.adding("f" * 64, "lots", "")
    for line in (2, 3, 4):
        adding.add(pl.DataFrame({"line": [line]}))
    if closed:
        adding.close()
    return kept


@pytest.fixture
def one_row_a_part(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(keeping, "_ROWS_PER_PART", 1)


def lines(kept: Originals) -> list[int]:
    return [line for frame in kept.read("f" * 64, "lots", "") for line in frame["line"]]


@pytest.mark.usefixtures("one_row_a_part")
def test_parts_are_read_in_their_order(tmp_path: Path) -> None:
    assert lines(in_parts(tmp_path / "shop.duckdb", closed=True)) == [2, 3, 4]


@pytest.mark.usefixtures("one_row_a_part")
def test_what_a_killed_run_left_half_written_is_no_original_and_is_written_anew(tmp_path: Path) -> None:
    store = tmp_path / "shop.duckdb"
    assert lines(in_parts(store, closed=False)) == []
    assert len(list(originals_folder(store).iterdir())) == 3
    assert lines(in_parts(store, closed=True)) == [2, 3, 4]
    assert len(list(originals_folder(store).iterdir())) == 3


@pytest.mark.usefixtures("one_row_a_part")
@pytest.mark.parametrize("lost", [1, 2, 3])
def test_an_original_that_lacks_a_part_is_none(tmp_path: Path, lost: int) -> None:
    kept = in_parts(tmp_path / "shop.duckdb", closed=True)
    next(kept.folder.glob(f"*.{lost}-3.parquet")).unlink()
    assert kept.parts("f" * 64, "lots", "") == []
    kept = in_parts(tmp_path / "shop.duckdb", closed=True)
    assert lines(kept) == [2, 3, 4]


def cut(content: bytes) -> bytes:
    return content[:-20]


def emptied(_: bytes) -> bytes:
    return b""


@pytest.mark.parametrize("spoil", [cut, emptied])
def test_a_damaged_original_is_the_user_s_to_mend(tmp_path: Path, spoil: Callable[[bytes], bytes]) -> None:
    kept = in_parts(tmp_path / "shop.duckdb", closed=True)
    path = next(kept.folder.glob("*.parquet"))
    path.write_bytes(spoil(path.read_bytes()))
    with pytest.raises(StoreError, match="is damaged"):
        lines(kept)
