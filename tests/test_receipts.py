"""Receipts count to exactly what is published, leave no delivered line untold, and point at the lines themselves.

On small hostile chains and on the sample. What a line of a file says is read here, by Python's csv module alone.
"""

import csv
import gzip
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cache
from pathlib import Path
from random import Random

import duckdb
import polars as pl
import pytest

from oracle.chains import LATER, NOW, second_night, small_exports, write_exports
from pipeline.count import lay_out, measured
from pipeline.explain import Receipt, explain
from pipeline.intake.inbox import look_into
from pipeline.intake.load import take_in
from pipeline.intake.pseudonyms import key_for
from pipeline.judge.exposures import judge_exposures, taken_out
from pipeline.receipts.counted import recount, rows_of
from pipeline.receipts.figures import EXPLAINED, EXPLAINED_BY_NAME, Explained, Figure
from pipeline.receipts.published import named_cause, not_counted, published
from pipeline.settings import Settings
from pipeline.store.database import fetch, open_store, read_store
from pipeline.store.originals import Originals
from pipeline.store.sqlfiles import sql_files
from support.editions import sample_night

Line = tuple[str, int]
TIMES = {"procedures": "performed_at", "sales": "sold_at", "revisits": "starts_at"}
KEYS = {"procedures": ("procedure_id",), "sales": ("sale_id", "line_no"), "revisits": ("revisit_id",)}
SEEDS = (60, 61)
ELSEWHERE = "counts for a cause chosen before"


@pytest.fixture(scope="module")
def workplace(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder for the chains, each made once."""
    return tmp_path_factory.mktemp("receipts")


@cache
def chain(workplace: Path, seed: int, nights: int) -> tuple[Path, Path]:
    """A small chain's store after its nights, and the inbox as the last of them found it."""
    folder = workplace / f"{seed}-{nights}"
    folder.mkdir()
    store = folder / "scapha.duckdb"
    rng = Random(seed)
    exports = small_exports(rng)
    for number in range(nights):
        inbox = folder / f"inbox{number}"
        write_exports(inbox, exports)
        now = (NOW, LATER)[number].replace(tzinfo=None)
        with key_for(store) as key, open_store(store, key) as con:
            originals = Originals(store)
            take_in(con, look_into(inbox), now=now, zone="UTC", key=key, progress=str, originals=originals)
            con.execute("commit")
        exports = second_night(rng, exports)
    return store, inbox


def frames_of(
    con: duckdb.DuckDBPyConnection, explained: Explained, params: dict[str, object]
) -> dict[str, pl.DataFrame]:
    """What a table's measures count."""
    return {measure: measured(con, measure, params) for measure in explained.measures}


def counted_again(
    con: duckdb.DuckDBPyConnection, explained: Explained, params: dict[str, object], rows: pl.DataFrame
) -> pl.DataFrame:
    """Every figure of a table with its rows as published, counted from those behind it."""
    file = sql_files()[rows_of(explained)]
    columns = [f"count(case when in_{name} then 1 end) as {name}" for name in explained.counts]
    columns += [f"sum({name}) as {name}" for name in explained.amounts]
    query = (
        f"select {', '.join((*explained.grain, *columns))} from ({file.query}) group by {', '.join(explained.grain)}"
    )
    found = fetch(con, query, {name: params[name] for name in file.params})
    if explained.table == "completion":  # weeks as good as known are not published
        return found.join(rows, on=explained.grain, how="semi")
    return without_taken_out(found, frames_of(con, explained, params)) if explained.table == "exposures" else found


def without_taken_out(counts: pl.DataFrame, frames: dict[str, pl.DataFrame]) -> pl.DataFrame:
    """Counts of exposures less the piercings that causes chosen before explain."""
    taken = taken_out(frames["exposed_piercings"], frames["exposure_levels"])
    cause = ["complication", "dimension", "level"]
    less = (
        taken.join(frames["exposed_piercings"], on=["complication", "procedure_id"])
        .group_by(cause)
        .agg(pl.len().alias("fewer"), pl.col("is_event").sum().alias("fewer_observed"))
    )
    return counts.join(less, on=cause, how="left").select(
        *cause,
        pl.col("procedures") - pl.col("fewer").fill_null(0),
        pl.col("observed") - pl.col("fewer_observed").fill_null(0),
    )


def differing(rows: pl.DataFrame, again: pl.DataFrame, explained: Explained) -> list[tuple[object, ...]]:
    """Figures of which the rows behind them do not count to what is published; none behind one counts as nought."""
    names = (*explained.counts, *explained.amounts)
    both = rows.select(*explained.grain, *names).join(
        again, on=explained.grain, how="full", nulls_equal=True, coalesce=True, suffix="_again"
    )
    same = [pl.col(name).fill_null(0) == pl.col(f"{name}_again").fill_null(0) for name in names]
    return both.filter(~pl.all_horizontal(same)).select(explained.grain).rows()


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("days_back", [0, 77])
def test_rows_behind_every_figure_count_to_it(workplace: Path, seed: int, days_back: int) -> None:
    store, _ = chain(workplace, seed, 2)
    names = [name for one in EXPLAINED for name in (*one.measures, rows_of(one))]
    with read_store(store) as con:
        newest, _ = lay_out(con, Settings(), None, ["branch_days"])
        assert newest
        _, params = lay_out(con, Settings(), newest - timedelta(days=days_back), names)
        for one in EXPLAINED:
            rows = published(one, frames_of(con, one, params), params["as_of"])
            assert differing(rows, counted_again(con, one, params, rows), one) == []


def test_rows_behind_every_published_figure_of_the_sample_count_to_it(tmp_path_factory: pytest.TempPathFactory) -> None:
    night = sample_night(tmp_path_factory)
    with read_store(night.site.parent / "store.duckdb") as con:
        _, params = lay_out(con, Settings(), None, [rows_of(one) for one in EXPLAINED])
        for one in EXPLAINED:
            rows = night.edition.results[one.table]
            assert rows.height > 3
            assert differing(rows, counted_again(con, one, params, rows), one) == []


def test_a_row_too_many_or_too_few_is_found() -> None:
    one = EXPLAINED_BY_NAME["coverage"]
    rows = pl.DataFrame({"week": [1, 2, 3], "branch_id": "B1", "procedures": [2, 0, 1], "reached": [1, 0, 1]})
    again = rows.with_columns(reached=pl.Series([1, 0, 0])).filter(pl.col("week") != 2)
    assert differing(rows, again, one) == [(3, "B1")]


def test_what_a_cause_chosen_before_explains_counts_there_alone() -> None:
    # All 20 of lot L are infected, 10 of these and 12 others of the 40 of article A, and none of the 400 in neither.
    events = [number < 20 or 20 <= number < 32 for number in range(450)]
    piercings = pl.DataFrame({"procedure_id": [f"P{number}" for number in range(450)], "is_event": events}).select(
        pl.lit("infection").alias("complication"),
        "procedure_id",
        pl.lit(date(2031, 1, 6)).alias("performed_on"),
        pl.lit("lobe").alias("site_group"),
        pl.lit("18+").alias("age_band"),
        pl.lit(value=True).alias("is_reached"),
        "is_event",
    )
    levels = pl.DataFrame(
        [(f"P{number}", "lot", "L") for number in range(20)]
        + [(f"P{number}", "article", "A") for number in range(10, 50)],
        schema=["procedure_id", "dimension", "level"],
        orient="row",
    )
    rows = judge_exposures(piercings, levels).sort("dimension")
    assert rows.select("level", "procedures", "observed", "signal").rows() == [("A", 30, 12, True), ("L", 20, 20, True)]
    frames = {"exposed_piercings": piercings, "exposure_levels": levels}
    article, lot = (Figure(EXPLAINED_BY_NAME["exposures"], row) for row in rows.iter_rows(named=True))
    assert not_counted(article, frames) == {f"P{number}": (ELSEWHERE, "lot L") for number in range(10, 20)}
    assert not_counted(lot, frames) == {}


def test_a_practitioner_chosen_before_is_not_named() -> None:
    assert named_cause("practitioner:site_group", "W1:lobe") == named_cause("practitioner", "W1") == "a practitioner"
    assert named_cause("batch", "N1") == "aftercare batch N1"


def figures(store: Path, seed: int) -> Iterator[str]:
    """A figure of each table with something behind it; of those by branch one of a branch."""
    with read_store(store) as con:
        _, params = lay_out(con, Settings(), None, [measure for one in EXPLAINED for measure in one.measures])
        for one in EXPLAINED:
            rows = published(one, frames_of(con, one, params), params["as_of"]).filter(pl.col(one.counts[0]) > 0)
            if "dimension" in one.grain:
                rows = rows.filter(dimension="branch")
            row = Random(seed).choice(rows.rows(named=True))
            parts = (f"{name}={'' if row[name] is None else row[name]}" for name in one.grain)
            yield f"{one.table}/{','.join(parts)}"


@cache
def receipts(workplace: Path, seed: int) -> tuple[Receipt, ...]:
    store, _ = chain(workplace, seed, 1)
    return tuple(explain(store, name, as_of=None, progress=str) for name in list(figures(store, seed)))


SOME = (73,)
RECEIPTS = [(seed, at) for seed in SOME for at in range(len(EXPLAINED))]


def receipt_of(workplace: Path, seed: int, at: int) -> Receipt:
    return receipts(workplace, seed)[at]


@pytest.mark.parametrize(("seed", "at"), RECEIPTS)
def test_a_receipt_counts_to_its_figure(workplace: Path, seed: int, at: int) -> None:
    receipt = receipt_of(workplace, seed, at)
    assert recount(receipt.counted, receipt.figure.explained) == {
        name: value or 0 for name, value in receipt.counts.items()
    }


def test_a_receipt_tells_which_piercings_count_for_a_cause_chosen_before(
    workplace: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    at = [one.table for one in EXPLAINED].index("exposures")
    before = receipt_of(workplace, SOME[0], at)
    taken = before.counted["id"][0]
    monkeypatch.setattr("pipeline.explain.not_counted", lambda *_: {taken: (ELSEWHERE, "lot L")})
    store, _ = chain(workplace, SOME[0], 1)
    receipt = explain(store, before.figure.name, as_of=None, progress=str)
    assert set(before.counted["id"]) - set(receipt.counted["id"]) == {taken}
    told = receipt.left_out.filter(pl.col("id") == taken, reason=ELSEWHERE)
    assert told["detail"].to_list() == ["lot L"]


@dataclass(frozen=True)
class Delivered:
    """A line of a file as delivered: where, and its cells by column; None where they do not fit the header."""

    place: Line
    cells: dict[str, str] | None


def text_of(path: Path) -> str:
    content = path.read_bytes()
    return (gzip.decompress(content) if path.suffix == ".gz" else content).decode("utf-8-sig")


def delivered(inbox: Path, store: Path, table: str) -> Iterator[Delivered]:
    """Every line of a table's readable files, but headers and blank ones."""
    with read_store(store) as con:
        found = con.execute("select path from file where table_name = ? and is_readable", [table]).fetchall()
    for (path,) in found:
        reader = csv.reader(text_of(inbox / path).splitlines())
        header = [name.strip() for name in next(reader)]
        for cells in reader:
            if "".join(cells).strip():
                told = dict(zip(header, map(str.strip, cells), strict=True)) if len(cells) == len(header) else None
                yield Delivered((path, reader.line_num), told)


def lines_behind(receipt: Receipt, table: str) -> set[Line]:
    """The lines of a table that a figure counts, or its visits are made of."""
    own = receipt.counted.filter(pl.col("table_name") == table)
    visits = receipt.records.filter((pl.col("item") == "visit") & (pl.col("standing") == "known"))
    return {*own.select("file", "line").rows(), *visits.filter(table_name=table).select("file", "line").rows()}


def day_of(text: str) -> date | None:
    try:
        return date.fromisoformat(text[:10])
    except ValueError:
        return None


def tables_of(receipt: Receipt) -> tuple[str, ...]:
    """The tables that a figure counts rows of."""
    others = {"revisits": ("revisits",), "weekly": ("procedures", "sales"), "attach": ("procedures", "sales")}
    return others.get(receipt.figure.explained.table, ("procedures",))


def lines_at(receipt: Receipt, inbox: Path, store: Path, table: str) -> Iterator[Line]:
    """The delivered lines that say to be of a figure's branch, and surely of its days: a text has some zone's."""
    place, margin = receipt.place, timedelta(days=1)
    for line in delivered(inbox, store, table):
        day = day_of(line.cells[TIMES[table]]) if line.cells else None
        is_there = place.is_by_branch and line.cells and place.branch in (None, line.cells["branch_id"])
        if is_there and day and place.first_on + margin <= day <= place.last_on - margin:
            yield line.place


@pytest.mark.parametrize(("seed", "at"), RECEIPTS)
def test_every_delivered_line_of_the_place_counts_or_has_one_reason(workplace: Path, seed: int, at: int) -> None:
    receipt = receipt_of(workplace, seed, at)
    store, inbox = chain(workplace, seed, 1)
    told = Counter((row["table_name"], row["file"], row["line"]) for row in receipt.left_out.iter_rows(named=True))
    assert set(told.values()) <= {1}
    for table in tables_of(receipt):
        behind = lines_behind(receipt, table)
        assert not [line for line in behind if (table, *line) in told]
        for line in lines_at(receipt, inbox, store, table):
            assert (line in behind) + told[table, *line] == 1, (table, line)


@pytest.mark.parametrize(("seed", "at"), RECEIPTS)
def test_every_line_named_is_that_of_the_record(workplace: Path, seed: int, at: int) -> None:
    receipt = receipt_of(workplace, seed, at)
    store, inbox = chain(workplace, seed, 1)
    for table, key in KEYS.items():
        cells = {line.place: line.cells for line in delivered(inbox, store, table)}
        for frame in (receipt.counted, receipt.records, receipt.left_out):
            for row in frame.filter((pl.col("table_name") == table) & pl.col("id").is_not_null()).iter_rows(named=True):
                found = cells[row["file"], row["line"]]
                assert found
                assert found[key[0]] == row["id"]
                assert len(key) == 1 or float(found["line_no"]) == row["line_no"]


def test_the_chains_hold_lines_and_reasons_enough(workplace: Path) -> None:
    found = [(chain(workplace, seed, 1), receipt) for seed in SOME for receipt in receipts(workplace, seed)]
    lines = [
        line
        for (store, inbox), receipt in found
        for table in tables_of(receipt)
        for line in lines_at(receipt, inbox, store, table)
    ]
    reasons = {reason for _, receipt in found for reason in receipt.reasons}
    assert len(lines) > 100
    assert reasons >= {"superseded", "rejected", "duplicate", "void", "abandoned", "not old enough"}
    assert reasons >= {"met something before", "not known about so long"}
