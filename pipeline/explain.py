"""Explain: which records stand behind a published figure, from which line of which file, and why others do not count.

The rows are those that the measures count (`pipeline/receipts`, `sql/4_receipts`). Piercings, visits, revisits and
follow-ups stand by the branch's own ids; a client's pseudonym and values of refused rows nowhere.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from pipeline.count import lay_out, measured
from pipeline.errors import UsageError
from pipeline.intake.pseudonyms import read_key
from pipeline.places import disk_told, owner_only
from pipeline.receipts.counted import KEY, files_of, find_counted
from pipeline.receipts.evidence import find_evidence
from pipeline.receipts.figures import Figure, choose, read_name
from pipeline.receipts.left_out import Place, find_left_out, place_of
from pipeline.receipts.published import not_counted, published
from pipeline.receipts.unkept import find_unkept
from pipeline.store import kept, retention
from pipeline.store.database import check_key, read_store
from pipeline.store.originals import Originals
from reports.tables import as_csv

Progress = Callable[[str], None]

FOR_INSIDE = "For inside the company only: health data of clients, by the branches' own ids."
_ORDER = ("reason", "table_name", "branch_id", "told_on", "id", "line_no", "file", "line")


@dataclass(frozen=True)
class Receipt:
    """A figure with what stands behind it: frames as `pipeline.receipts` gives them.

    `records` are those that what is counted goes by; `n_unplaced` lines refused of which nobody can tell whether they
    are of this figure.
    """

    as_of: date
    figure: Figure
    place: Place
    counted: pl.DataFrame
    records: pl.DataFrame
    left_out: pl.DataFrame
    n_unplaced: int

    @property
    def counts(self) -> dict[str, Any]:
        """The published figures that are explained, by column; None where they stand in another row of the week."""
        explained = self.figure.explained
        return {name: self.figure.row[name] for name in (*explained.counts, *explained.amounts)}

    @property
    def reasons(self) -> dict[str, int]:
        """How many lines are left out for each reason."""
        return dict(self.left_out.group_by("reason").len().sort("reason").iter_rows())

    def as_dict(self) -> dict[str, Any]:
        """The receipt as plain values for JSON; each thing counted with its records."""
        records: dict[tuple[str, str], list[dict[str, Any]]] = {}
        for row in _plain(self.records):
            records.setdefault((row.pop("item"), row.pop("item_id")), []).append(row)
        return {
            "figure": self.figure.name,
            "table": self.figure.explained.table,
            "key": {name: _value(value) for name, value in self.figure.key.items()},
            "as_of": self.as_of.isoformat(),
            "definition": self.figure.explained.says,
            "methods": self.figure.explained.link,
            "counts": {name: _value(value) for name, value in self.counts.items()},
            "counted": [
                {
                    **row,
                    "counts_in": row["counts_in"].split("; ") if row["counts_in"] else [],
                    "records": records.get((row["item"], row["id"]), []),
                }
                for row in _plain(self.counted)
            ],
            "left_out": list(_plain(self.left_out)),
            "reasons": self.reasons,
            "refused_of_no_known_place": self.n_unplaced,
            "note": FOR_INSIDE,
        }

    def as_csv(self) -> str:
        """The receipt as CSV text that no spreadsheet runs: what is counted, its records, and what is left out."""
        item = pl.format("{} {}", "item", "id")
        counted = self.counted.with_columns(pl.lit("counted").alias("part"), item.alias("of"))
        records = self.records.with_columns(
            pl.lit("record").alias("part"),
            pl.format("{} {}", "item", "item_id").alias("of"),
            pl.col("says").alias("why"),
        )
        left_out = self.left_out.with_columns(
            pl.lit("left out").alias("part"),
            pl.concat_str("reason", pl.col("detail").replace("", None), separator=": ", ignore_nulls=True).alias("why"),
        )
        return as_csv(pl.concat([counted, records, left_out], how="diagonal").select(_CSV))


_CSV = (
    *("part", "of", "counts_in", "amount", "table_name", "id", "line_no", "visit_id", "branch_id", "told_on", "why"),
    *("file", "line", "sha256"),
)


@disk_told()
def explain(store: Path, name: str, *, as_of: date | None, progress: Progress) -> Receipt:
    """The receipt of the figure of a name (`pipeline.receipts.figures`); the store is only read.

    `UsageError` where there is no such figure, or its records are aged out.
    """
    explained, parts = read_name(name)
    with owner_only(), read_store(store) as con:
        check_key(con, store, read_key(store))
        retention.check_as_of(con, as_of)
        progress("counting")
        known_by, params = lay_out(con, kept.kept_settings(con), as_of, files_of(explained))
        frames = {measure: measured(con, measure, params) for measure in explained.measures}
        figure = choose(explained, parts, published(explained, frames, params["as_of"]))
        figure = replace(figure, not_counted=not_counted(figure, frames))
        assert known_by is not None  # noqa: S101 - there is a figure
        _check_kept(con, figure, place_of(figure, known_by))
        progress("gathering records")
        return _gather(con, figure, known_by, params, Originals(store))


def _check_kept(con: duckdb.DuckDBPyConnection, figure: Figure, place: Place) -> None:
    """`UsageError` where a figure is of a week that stands as last counted, its rows gone."""
    ageing = retention.last_ageing(con)
    is_of_week = "week" in figure.row or str(figure.row.get("period", "")).startswith("week:")
    if ageing and is_of_week and place.first_on < ageing.weeks_before:
        raise UsageError(
            f"{figure.name} stands as last counted: records of weeks before {ageing.weeks_before} are aged out "
            "(keep_years).",
            remedy="Ask for a later week.",
        )


def _gather(
    con: duckdb.DuckDBPyConnection, figure: Figure, as_of: date, params: dict[str, Any], originals: Originals
) -> Receipt:
    place = place_of(figure, as_of)
    counted = find_counted(con, figure, params)
    records = find_evidence(con, figure)
    behind = _behind(counted, records)
    left_out = find_left_out(con, figure, place, behind, params)
    unkept = [
        find_unkept(con, originals, table, place, pl.concat([behind, left_out.select(KEY)]))
        for table in _tables(figure)
    ]
    return Receipt(
        as_of=as_of,
        figure=figure,
        place=place,
        counted=counted,
        records=records,
        left_out=pl.concat([left_out, *(one.lines for one in unkept)]).sort(_ORDER, nulls_last=True),
        n_unplaced=sum(one.n_unplaced for one in unkept),
    )


def _tables(figure: Figure) -> tuple[str, ...]:
    """The tables whose rows a figure counts, or its visits are made of."""
    tables = {"revisits": ("revisits",), "weekly": ("procedures", "sales"), "attach": ("procedures", "sales")}
    return tables.get(figure.explained.table, ("procedures",))


def _behind(counted: pl.DataFrame, records: pl.DataFrame) -> pl.DataFrame:
    """The records that a figure counts, or its visits are made of: columns as `KEY` names them."""
    own = counted.filter(pl.col("table_name").is_not_null()).select(KEY)
    return pl.concat([own, records.filter(pl.col("item") == "visit").select(KEY)]).unique(maintain_order=True)


def _plain(frame: pl.DataFrame) -> Iterator[dict[str, Any]]:
    """A frame's rows as plain values for JSON."""
    for row in frame.iter_rows(named=True):
        yield {name: _value(value) for name, value in row.items()}


def _value(value: object) -> object:
    if isinstance(value, Decimal):
        return str(value.normalize()) if value else "0"
    return value.isoformat() if isinstance(value, date) else value
