"""Trace: who was exposed to a lot or an aftercare batch, how they fare and who was asked; to what a visit was exposed.

Everyone counts who was pierced by the as-of date, however lately. A visit's id is enough for a branch to find its
client: no pseudonym and no age in years stands here.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from difflib import get_close_matches
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.contract import vocabulary as v
from pipeline.count import count
from pipeline.intake.pseudonyms import read_key
from pipeline.judge.tracing import NOT_ASKED, exposed_to, head_counts, judge_stock, line_list
from pipeline.places import disk_told, owner_only
from pipeline.store import kept, retention
from pipeline.store.database import check_key, read_store
from reports import words
from reports.tables import as_csv

Progress = Callable[[str], None]

_MEASURES = ("traced_piercings", "traced_batches", "traced_reports", "contacted_visits", "lot_stock")
_CODES = ("lot", "batch")
"""What compares in upper case, and has names so much alike that the nearest help."""
_HINTS = 3
_SLIP = 0.8
"""Likeness (`difflib`) from which a name may be a slip of the pen for another."""
_LINE = (
    *("procedure_id", "visit_id", "branch_id", "practitioner_id", "performed_on", "ear", "site", "site_group"),
    *("age_band", "article_id", "lot_no", "contact", "reached_on", "attempts", "last_asked_on", "last_answered_on"),
)
_REPORT = (
    *("kind", "onset_day", "severity", "certainty", "clinician_seen", "referred_same_day", "reported_on"),
    *("recorded_on", "is_attributed", "over_on"),
)
CAUTIONS = (words.CAUTION_SIGNAL, words.CAUTION_RED_FLAGS, words.CAUTION_ADVICE)


@dataclass(frozen=True)
class Trace:
    """What was asked for, and the piercings that stand under it: frames as `pipeline.judge.tracing` gives them.

    `as_of` is None where the store holds no row. `stock` is empty unless a lot was asked for; `lots` and `batches` are
    what the piercings were exposed to; `alike` are names near to this one: of a lot or batch that nothing is known of
    those that are known, of a lot that is known those of no delivery, which may be slips of the pen for it.
    """

    as_of: date | None
    dimension: str
    level: str
    lines: pl.DataFrame
    reports: pl.DataFrame
    head: pl.DataFrame
    stock: pl.DataFrame
    lots: tuple[str, ...]
    batches: tuple[str, ...]
    alike: tuple[str, ...]

    @property
    def not_known(self) -> str | None:
        """That nothing is known under the name, with names alike; None where something is."""
        if not self.lines.is_empty():
            return None
        hint = f" Known of nearly that name: {', '.join(self.alike)}." if self.alike else ""
        known_by = f" by {self.as_of}" if self.as_of else ": there is no data yet"
        return f"No completed piercing is known of {words.named(self.dimension, self.level)}{known_by}.{hint}"

    def as_dict(self) -> dict[str, Any]:
        """The trace as plain values for JSON; each piercing with what was reported of it."""
        head, told = _rows(self.head), self.told
        return {
            "as_of": self.as_of and self.as_of.isoformat(),
            "dimension": self.dimension,
            "level": self.level,
            "all": head[-1],
            "branches": head[:-1],
            "stock": _rows(self.stock),
            "lots": list(self.lots),
            "batches": list(self.batches),
            "exposed": [
                {**line, "reports": told.get(line["procedure_id"], [])} for line in _rows(self.lines.select(_LINE))
            ],
            "not_asked": self.not_asked,
            "alike": list(self.alike),
            "cautions": list(CAUTIONS),
        }

    @property
    def told(self) -> dict[str, list[dict[str, Any]]]:
        """What was reported, by procedure_id, the earliest onset first."""
        told: dict[str, list[dict[str, Any]]] = {}
        for report in _rows(self.reports.select("procedure_id", *_REPORT)):
            told.setdefault(report.pop("procedure_id"), []).append(report)
        return told

    @property
    def not_asked(self) -> dict[str, list[str]]:
        """Visits by branch that nobody has asked after."""
        visits = self.lines.filter(pl.col("contact") == NOT_ASKED).select("branch_id", "visit_id").unique()
        grouped = visits.sort("branch_id", "visit_id").group_by("branch_id", maintain_order=True).agg("visit_id")
        return dict(grouped.iter_rows())

    def as_csv(self) -> str:
        """The line list as CSV text that no spreadsheet runs: a row for each piercing, its reports in one cell."""
        told = pl.DataFrame(
            [(name, "; ".join(map(report_words, reports))) for name, reports in self.told.items()],
            schema={"procedure_id": pl.String, "reports": pl.String},
            orient="row",
        )
        return as_csv(self.lines.select(_LINE).join(told, on="procedure_id", how="left", maintain_order="left"))


@disk_told()
def trace(store: Path, dimension: str, level: str, *, as_of: date | None, progress: Progress) -> Trace:
    """Trace a lot, batch, visit or procedure (`dimension`) by its name; the store is only read."""
    with owner_only(), read_store(store) as con:
        check_key(con, store, read_key(store))
        retention.check_as_of(con, as_of)
        progress("counting")
        known_by, measures = count(con, kept.kept_settings(con), as_of, _MEASURES)
    level = level.strip().upper() if dimension in _CODES else level.strip()
    batches, stock = measures["traced_batches"], measures["lot_stock"]
    exposed = exposed_to(measures["traced_piercings"], batches, dimension, level)
    ids = exposed.select("procedure_id")
    reports = measures["traced_reports"].join(ids, on="procedure_id", how="semi")
    lines = line_list(exposed, measures["contacted_visits"], reports, known_by or v.BEFORE_ANY_DATA)
    return Trace(
        as_of=known_by,
        dimension=dimension,
        level=level,
        lines=lines,
        reports=reports.sort("procedure_id", "onset_day", "report_id"),
        head=head_counts(lines),
        stock=judge_stock(stock.filter((pl.col("lot_no") == level) & (dimension == "lot"))),
        lots=_values(exposed["lot_no"]),
        batches=_values(batches.join(ids, on="procedure_id", how="semi")["batch_no"]),
        alike=_alike(dimension, level, batches, stock),
    )


def _values(column: pl.Series) -> tuple[str, ...]:
    return tuple(column.drop_nulls().unique().sort())


def _alike(dimension: str, level: str, batches: pl.DataFrame, stock: pl.DataFrame) -> tuple[str, ...]:
    """Names near to that of a lot or batch, as `Trace.alike` has them."""
    if dimension not in _CODES:
        return ()
    known = _values(batches["batch_no"] if dimension == "batch" else stock["lot_no"])
    if level not in known:
        return tuple(get_close_matches(level, known, n=_HINTS))
    delivered = set(_values(stock.filter("is_delivered")["lot_no"]))
    slips = [name for name in known if name not in delivered and name != level] if dimension == "lot" else []
    return tuple(get_close_matches(level, slips, n=_HINTS, cutoff=_SLIP))


def _rows(frame: pl.DataFrame) -> list[dict[str, Any]]:
    return frame.with_columns(pl.col(pl.Date).dt.to_string("%Y-%m-%d")).to_dicts()


def report_words(report: dict[str, Any]) -> str:
    """A report in words: `perichondritis (infected cartilage) from day 12, severity 3, probable, clinician seen`."""
    parts = [f"{words.COMPLICATION[report['kind']]} from day {report['onset_day']}"]
    if report["severity"] is not None:
        parts.append(f"severity {report['severity']}")
    if report["certainty"]:
        parts.append(report["certainty"])
    if report["clinician_seen"] is not None:
        parts.append("clinician seen" if report["clinician_seen"] else "no clinician seen")
    return f"{', '.join(parts)}, recorded {report['recorded_on']}"
