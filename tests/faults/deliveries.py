"""What a small invented chain delivers on four days, faults included, and the clock of each day's night.

The rows are simulated; spread over the days they bring what a store must get right: corrections, an older version that
comes last, a file that cannot be read and later can, the same bytes twice, a row whose day has not come yet.
"""

import csv
import gzip
import io
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from pipeline.simulate import simulate_chain
from support.exports import Row, csv_text, export, fill

from .warm import asked

_EVENTS = ("procedures", "follow_ups", "revisits", "sales")
_REFERENCES = ("branches", "practitioners", "articles", "lots", "products")
_FIRST_NIGHT = datetime(2026, 9, 28, 3, 0, tzinfo=UTC)
DAYS = 4


@dataclass(frozen=True)
class Delivery:
    """The files of one day, by their path in the inbox, and the clock of its night."""

    files: dict[str, str]
    clock: datetime


def small_delivery() -> Delivery:
    """Two files that make a night short, for tests of what happens around the figures."""
    piercings = [{"procedure_id": f"P{at}", "visit_id": f"V{at}"} for at in range(1, 6)]
    return Delivery(
        {"branches.csv": export("branches", {}), "procedures.csv": export("procedures", *piercings)}, _FIRST_NIGHT
    )


def deliveries(scratch: Path, weeks: int = 2) -> list[Delivery]:
    """The deliveries of a chain of one branch; `scratch` is a folder to simulate it in."""
    asked(lambda: simulate_chain(scratch / "chain", branches=1, weeks=weeks, seed=5).piercings)
    tables = {table: _rows(scratch / "chain", table) for table in (*_REFERENCES, *_EVENTS)}
    days: list[dict[str, str]] = [{f"{table}.csv": csv_text(tables[table]) for table in _REFERENCES}]
    days += [{} for _ in range(DAYS - 1)]
    for table in _EVENTS:
        rows = sorted(tables[table], key=lambda row: row["recorded_at"])
        for day in range(DAYS):
            share = rows[day * len(rows) // DAYS : (day + 1) * len(rows) // DAYS]
            days[day][f"{day + 1}/{table}_{day + 1}.csv"] = csv_text(share)
    _add_faults(days, tables["procedures"])
    return [Delivery(files, _FIRST_NIGHT + timedelta(days=day)) for day, files in enumerate(days)]


def _rows(folder: Path, table: str) -> list[Row]:
    found: list[Row] = []
    for path in sorted(folder.glob(f"{table}*.csv*")):
        text = gzip.decompress(path.read_bytes()) if path.suffix == ".gz" else path.read_bytes()
        found += list(csv.DictReader(io.StringIO(text.decode())))
    return found


def _add_faults(days: list[dict[str, str]], piercings: list[Row]) -> None:
    """Add to the days what makes taking in hard; `piercings` are the chain's, in their order of time."""
    first, second, third = piercings[0], piercings[1], piercings[2]
    not_yet = first | {
        "procedure_id": "LATER", "performed_at": "2026-09-30T10:00", "recorded_at": "2026-09-28T02:00"
    }  # fmt: skip
    days[0]["procedures_odd.csv"] = csv_text([first | {"procedure_id": "ODD", "site": "nose"}, not_yet])
    corrections = [
        first | {"site": "helix", "recorded_at": "2026-09-28T10:00"},
        second | {"status": "void", "recorded_at": "2026-09-28T10:00"},
    ]
    days[1]["procedures_corrected.csv"] = csv_text(corrections)
    days[1]["sales_cut.csv"] = 'sale_id,line_no,sold_at,branch_id,product_id,quantity,net_amount\n"S1,1,'
    days[2]["sales_cut.csv"] = export("sales", {"branch_id": first["branch_id"], "product_id": "LOTION"})
    days[2]["procedures_older.csv"] = csv_text([first | {"site": "tragus", "recorded_at": "2026-09-27T23:00"}, third])
    days[2]["procedures_again.csv"] = days[1]["procedures_corrected.csv"]
    days[3]["procedures_corrected.csv"] = csv_text([second | {"recorded_at": "2026-09-30T10:00"}])


def lay(inbox: Path, delivery: Delivery) -> None:
    """Lay a day's files into an inbox; a file of a path that stands there already takes its place."""
    inbox.parent.mkdir(parents=True, exist_ok=True)
    fill(inbox, delivery.files)
