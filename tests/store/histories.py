"""Nights one after another, what a store then holds, and a search through every byte beside it."""

import shutil
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from pipeline.nightly import Outcome, run_night
from pipeline.rebuild import rebuild
from pipeline.settings import Settings
from pipeline.store.journal import journal_path
from pipeline.store.originals import originals_folder, read_part
from support.exports import NOW, fill

from .conftest import Shop, silent

Files = dict[str, str | bytes]
Tables = dict[str, list[tuple[Any, ...]]]


def night(shop: Shop, files: Files | None = None, *sources: dict[str, Any], day: int = 0, **others: Any) -> Outcome:
    """Lay files into a shop's inbox and run the night of a day, counted from `NOW`, under settings."""
    fill(shop.inbox, files or {})
    return run_night(
        shop.inbox,
        store=shop.store,
        site=shop.site,
        settings=Settings.model_validate({"sources": sources, **others}),
        as_of=None,
        clock=lambda: clock(day).replace(tzinfo=UTC),
        progress=silent,
    )


def clock(day: int) -> datetime:
    return NOW + timedelta(days=day)


def tables(store: Path) -> Tables:
    """Every table of a store with its rows, sorted; versions numbered without gaps, since numbers tell their order."""
    with duckdb.connect(str(store), read_only=True) as con:
        names = [name for (name,) in con.execute("select table_name from duckdb_tables()").fetchall()]
        held = {name: con.execute(f"from {name} order by all").fetchall() for name in names}
    return {
        name: [(at, *row[1:]) for at, row in enumerate(rows)] if name.startswith("raw_") else rows
        for name, rows in held.items()
    }


def differing(one: Tables, other: Tables) -> list[str]:
    """The tables in which two stores differ."""
    return sorted(name for name in one.keys() | other.keys() if one.get(name) != other.get(name))


def rebuilt(shop: Shop) -> Tables:
    """What the store holds once it is lost and made again."""
    shop.store.unlink()
    rebuild(shop.store, progress=silent)
    return tables(shop.store)


def originals(shop: Shop) -> dict[str, pl.DataFrame]:
    """The parts of a shop's originals by their file's name."""
    return {path.name: read_part(path) for path in sorted(originals_folder(shop.store).glob("*.parquet"))}


def original_of(shop: Shop, table: str) -> pl.DataFrame:
    """A table's originals, the oldest file's first, as one frame."""
    with duckdb.connect(str(shop.store), read_only=True) as con:
        found = con.execute("select sha256 from file where table_name = ? order by file_id", [table]).fetchall()
    parts = originals(shop)
    return pl.concat(
        [frame for (sha256,) in found for name, frame in parts.items() if name.startswith(f"{sha256}.{table}.")],
        how="diagonal",
    )


def beside(shop: Shop) -> dict[str, bytes]:
    """The bytes of everything in the store's folder but the key, by name; originals as what they hold, unpacked."""
    found = {
        path.relative_to(shop.store.parent).as_posix(): path.read_bytes()
        for path in shop.store.parent.rglob("*")
        if path.is_file() and path != shop.key
    }
    folder = originals_folder(shop.store).name
    return found | {f"{folder}/{name} unpacked": frame.write_csv().encode() for name, frame in originals(shop).items()}


def places_of(shop: Shop, words: Iterable[str]) -> set[tuple[str, str]]:
    """Where beside the store which of some words stand: `store`, `journal`, `originals` or a file's own name."""
    kinds = {
        shop.store.name: "store",
        journal_path(shop.store).name: "journal",
        originals_folder(shop.store).name: "originals",
    }
    return {
        (kinds.get(name.split("/")[0], name), word)
        for name, content in beside(shop).items()
        for word in words
        if word.lower().encode() in content.lower()
    }


def copy_of(shop: Shop, folder: Path) -> Shop:
    """A shop's copy in a folder of its own."""
    shutil.copytree(shop.folder, folder, symlinks=True)
    return Shop(folder)
