"""How an invented chain's rows are delivered: corrected, re-sent, spread over files, and not always clean."""

import csv
import gzip
import io
from collections.abc import Callable
from pathlib import Path
from random import Random

from .words import EVENT_TIMES, TABLES

Cells = dict[str, str]
"""One row as text, by column; columns left out are empty."""

CORRECTIONS: dict[str, tuple[Cells, ...]] = {
    "procedures": (
        {"status": "void"},
        {"status": "completed"},
        {"age_years": "15"},
        {"branch_id": "B02"},
        {"ear": "left", "site": "helix"},
        {"performed_at": "2032-05-05T10:00"},
        {"visit_id": "V001"},
    ),
    "follow_ups": (
        {"complication": "minor_infection"},
        {"complication": "", "outcome": "well"},
        {"onset_on": "2032-05-05"},
        {"visit_id": "V001", "procedure_id": ""},
    ),
    "revisits": ({"status": "attended"}, {"status": "moved"}, {"starts_at": "2032-07-05T10:00"}),
    "sales": ({"quantity": "0"}, {"line_type": "void"}, {"visit_id": "V001"}),
    "branches": ({"timezone": "America/New_York"}, {"follow_up_policy": "passive"}),
    "practitioners": ({"alias_of": ""}, {"alias_of": "P-1"}),
    "articles": ({"material": "gold"},),
    "lots": ({"expires_on": "2032-05-05"},),
    "stock_counts": ({"on_hand": "39"},),
    "products": ({"category": "aftercare"},),
}
BAD: dict[str, tuple[Cells, ...]] = {
    "procedures": (
        {"procedure_id": ""},
        {"procedure_id": "P:1"},
        {"procedure_id": "P" * 201},
        {"visit_id": "V\t1"},
        {"performed_at": "2032-02-30T10:00"},
        {"performed_at": "2032-05-04 10:00"},
        {"performed_at": "2032-05-04T24:00"},
        {"performed_at": "2032-08-01T23:30"},
        {"performed_at": "2032-08-02T05:59"},
        {"recorded_at": "2032-08-01T18:00:01Z"},
        {"site": "nose", "ear": "both", "age_years": "121"},
        {"age_years": "-1"},
        {"age_years": "34.5"},
        {"post_length_mm": "8,0"},
        {"pack_expiry": "04/05/2032"},
    ),
    "follow_ups": (
        {"visit_id": "", "procedure_id": " ", "client_key": ""},
        {"outcome": ""},
        {"outcome": "fine"},
        {"complication": "itch"},
        {"severity": "5"},
        {"onset_on": "2032-08-02"},
        {"onset_on": "2032-08-03"},
        {"contacted_at": "2032-08-02T05:59"},
        {"contacted_at": "2032-08-02T06:01"},
        {"clinician_seen": "maybe"},
    ),
    "revisits": ({"status": ""}, {"booked_at": "2032-08-03T10:00"}, {"starts_at": "soon"}),
    "sales": ({"quantity": "one"}, {"net_amount": "12,50"}, {"net_amount": ""}, {"line_no": "1.5"}),
    "branches": ({"timezone": "Nowhere/Atlantis"}, {"follow_up_policy": "lazy"}),
    "practitioners": ({"trained_sites": "lobe;nose"},),
    "articles": ({"material": "tin"},),
    "lots": ({"lot_no": "L:1"}, {"quantity": "many"}),
    "stock_counts": ({"on_hand": ""},),
    "products": ({"list_price": "3,50"},),
}
UNREADABLE: dict[str, str] = {
    "sales_nothing.csv": "",
    "sales_blank.csv": "\n  \n\n",
    "revisits_short.csv": "revisit_id,visit_id\nR1,V1\n",
    "articles_twice.csv": "article_id,material,material \nK1,gold,gold\n",
    "lots_open.csv": 'lot_no,recall_status\nL-1,"never closed\nL-2,\n',
    "products_bytes.csv": "product_id\nA\udce9\n",
    "products_sheet.xlsx": "not read by the oracle",
    "practitioners_torn.csv.gz": "\udc1f not gzip",
}
PASSED_OVER = ("notes.txt", "unknown_2032.csv", ".hidden/procedures.csv", "~sales.csv", "procedures", "salesroom.csv")


def deliver(rng: Random, tables: dict[str, list[Cells]]) -> dict[str, str]:
    """Give path -> text of a folder with everything once, some rows several times, and some dirt."""
    exports: dict[str, str] = {}
    for table, rows in tables.items():
        plain = [row for row in rows if rng.random() < 0.97]  # the rest is not known (yet)
        changed = [corrected(rng, table, row) for row in rows if rng.random() < 0.15]
        again = [row for row in rows if rng.random() < 0.05]
        bad = [row | rng.choice(BAD[table]) for row in rows if rng.random() < 0.04]
        exports |= spread(rng, table, plain + again, changed + bad)
    if rng.random() < 0.3:
        name = rng.choice(list(UNREADABLE))
        exports[name] = UNREADABLE[name].replace("\udc1f", "torn:")
    if rng.random() < 0.3:
        exports[rng.choice(PASSED_OVER)] = "procedure_id\nnever read\n"
    if rng.random() < 0.3:
        resend(rng, exports)
    return exports


def deliver_more(rng: Random, exports: dict[str, str], tables: dict[str, list[Cells]]) -> dict[str, str]:
    """Give the folder with some files gone, and with files of further rows and corrections."""
    kept = {path: text for path, text in exports.items() if rng.random() < 0.9}
    for table, rows in tables.items():
        some = [row for row in rows if rng.random() < 0.3]
        changed = [corrected(rng, table, row) for row in some if rng.random() < 0.3]
        kept[f"second/{table}_night2.csv"] = render(rng, table, some + changed)
    resend(rng, kept)
    return kept


def resend(rng: Random, exports: dict[str, str]) -> None:
    """Add a copy of a file, byte for byte, under a name that comes earlier or later."""
    table = rng.choice(("procedures", "follow_ups", "sales", "branches"))
    copied = [path for path in exports if Path(path).name.startswith(table) and path.endswith(".csv")]
    if copied:
        exports[rng.choice((f"again/{table}.csv", f"zz/{table}.csv"))] = exports[rng.choice(copied)]


def corrected(rng: Random, table: str, row: Cells) -> Cells:
    """Give another version of a row: recorded later, earlier, at the same time, or with no time of its own."""
    change = row | rng.choice(CORRECTIONS[table])
    if table in EVENT_TIMES:
        same = row.get("recorded_at", "")
        change["recorded_at"] = rng.choice(
            (same, same, "", "2032-07-31T08:00Z", "2032-06-17T10:00", "2031-06-01T08:00Z")
        )
    return change


def spread(rng: Random, table: str, rows: list[Cells], others: list[Cells]) -> dict[str, str]:
    """Spread rows over one to three files; most corrections come in later files, some in the same or an earlier one."""
    paths = rng.choice(
        (
            [f"{table}.csv"],
            [f"{table}_2032-01.csv", f"{table}_2032-02.csv"],
            [f"{table}.csv.gz", f"a/{table}-2.csv"],
            [f"b/{table}_1.csv", f"b/{table}_10.csv", f"{table}-2.csv"],
        )
    )
    parts: dict[str, list[Cells]] = {path: [] for path in sorted(paths)}
    order = list(parts)
    for row in rows:
        parts[rng.choice(order)].append(row)
    for row in others:
        parts[rng.choice((order[-1], rng.choice(order)))].append(row)
    if rng.random() < 0.2:
        rng.shuffle(parts[order[-1]])
    return {path: render(rng, table, part) for path, part in parts.items()}


def render(rng: Random, table: str, rows: list[Cells]) -> str:
    """Give CSV text, with the liberties that CSV takes."""
    columns = [
        column
        for column in TABLES[table].columns
        if column in TABLES[table].required or rng.random() < 0.5 or any(row.get(column) for row in rows)
    ]
    if rng.random() < 0.3:
        rng.shuffle(columns)
    undeclared = ["client_name"] if rng.random() < 0.2 else []
    out = io.StringIO()
    writer = csv.writer(
        out,
        lineterminator=rng.choice(("\n", "\r\n")),
        quoting=rng.choice((csv.QUOTE_MINIMAL, csv.QUOTE_ALL)),
    )
    writer.writerow([*columns, *undeclared])
    dirt = rng.choice(DIRT)
    for row in rows:
        cells = [dirt(column, row.get(column, "")) for column in columns] + ["Nobody"] * len(undeclared)
        writer.writerow([*cells, "one too many"] if rng.random() < 0.01 else cells)
        if rng.random() < 0.03:
            out.write(rng.choice(("\n", "  \n")))
    return rng.choice(("", "", "\ufeff")) + out.getvalue()


def spaced(_: str, text: str) -> str:
    return f"  {text} "


def loud(column: str, text: str) -> str:
    return text.upper() if column in CASELESS else text


CASELESS = ("site", "ear", "outcome", "complication", "status", "channel", "line_type", "consent", "batch_no", "lot_no")


def as_it_is(_: str, text: str) -> str:
    return text


DIRT: tuple[Callable[[str, str], str], ...] = (as_it_is, as_it_is, spaced, loud)


def write_exports(folder: Path, exports: dict[str, str]) -> None:
    """Write a folder; names that end in .gz are compressed, and a lone surrogate stands for a byte that is no UTF-8."""
    for path, text in exports.items():
        target = folder / path
        target.parent.mkdir(parents=True, exist_ok=True)
        content = text.encode("utf-8", "surrogateescape")
        if path.endswith(".gz") and "torn:" not in text:
            content = gzip.compress(content, mtime=0)
        target.write_bytes(content)
