"""Imports go one way, one module reads the clock, and one holds connections."""

import re

import pytest

from .sources import ROOT, Module, modules

MAY_IMPORT = {
    "__main__": {"cli"},
    "cli": {
        *("nightly", "check", "forget", "rebuild", "fixlist", "trace", "trace_text", "calls", "workbook", "simulate"),
        *("signals", "notes", "replay", "sight", "contract", "settings", "stats", "telling", "places", "errors"),
        *("explain", "explain_text", "editions"),
    },
    "telling": {"nightly", "errors"},
    "check": {"intake", "store", "contract", "settings", "suggest", "places", "errors"},
    "editions": {
        *(
            "nightly",
            "intake",
            "store",
            "judge",
            "count",
            "publish",
            "reports",
            "results",
            "settings",
            "places",
            "errors",
        ),
    },
    "forget": {"intake", "store", "rejudge", "contract", "places", "errors"},
    "rebuild": {"intake", "store", "rejudge", "contract", "places", "errors"},
    "fixlist": {
        *("intake", "store", "refusals", "mending", "reports", "contract", "settings", "sources", "places", "errors"),
    },
    "trace": {"intake", "store", "judge", "count", "reports", "contract", "places"},
    "trace_text": {"trace", "judge", "telling", "reports"},
    "explain": {"intake", "store", "count", "receipts", "reports", "places", "errors"},
    "explain_text": {"explain", "receipts", "telling", "reports"},
    "receipts": {"store", "judge", "contract", "results", "reports", "errors"},
    "calls": {"intake", "store", "judge", "count", "telling", "reports", "contract", "places"},
    "signals": {"intake", "store", "notes", "remember", "telling", "reports", "contract", "places"},
    "notes": {"intake", "store", "watch", "places", "errors"},
    "history": {"store", "settings"},
    "replay": {"intake", "store", "history", "remember", "watch", "results", "settings", "places", "errors"},
    "sight": {"intake", "store", "history", "remember", "watch", "telling", "places", "errors"},
    "remember": {"store", "watch", "results"},
    "rejudge": {"store", "judge", "count", "remember"},
    "mending": {"refusals", "contract", "settings", "sources", "reports"},
    "refusals": {"intake", "store", "contract", "settings", "sources"},
    "nightly": {
        *("intake", "store", "judge", "count", "remember", "publish", "mail", "reports", "settings", "places"),
        "errors",
    },
    "mail": {"addressees", "reports", "errors"},
    "intake": {"store", "contract", "settings", "sources", "errors"},
    "store": {"contract", "results", "settings", "errors", "places"},
    "count": {"store", "contract", "settings"},
    "judge": {"contract", "settings", "stats", "results", "watch"},
    "watch": {"contract", "stats", "results"},
    "publish": {"errors", "places"},
    "reports": {"contract", "stats", "results"},
    "simulate": {"contract", "errors"},
    "settings": {"contract", "sources", "addressees", "errors"},
    "addressees": set(),
    "sources": {"contract"},
    "suggest": {"contract", "settings", "sources"},
    "workbook": {"contract", "errors"},
    "contract": set(),
    "stats": set(),
    "results": set(),
    "errors": set(),
    "places": {"errors"},
}
"""What each part of the house may import of ours besides itself and the version."""
CLOCK = re.compile(
    r"(?:^|\.)(?:datetime|date)\.(?:now|today|utcnow)$|^time\.|(?:^|\.)(?:monotonic|perf_counter|localtime|gmtime)$"
)
CLOCK_IN_SQL = re.compile(r"\bcurrent_(?:date|time|timestamp)\b|\b(?:now|today|get_current_timestamp)\s*\(", re.I)
CONNECTIONS = {"open_store", "read_store"}


def part(name: str) -> str:
    """The part of the house a full name belongs to; the package itself, which holds the version, is `pipeline`."""
    parts = name.split(".")
    if parts[0] == "reports":
        return "reports"
    return (
        parts[1] if (ROOT / "pipeline" / parts[1]).is_dir() or (ROOT / "pipeline" / f"{parts[1]}.py").exists() else ""
    )


@pytest.mark.parametrize("module", modules(), ids=lambda module: module.name)
def test_imports_go_one_way(module: Module) -> None:
    if module.name == "pipeline":
        assert module.imports == set()
        return
    own = part(module.name)
    assert {part(name) for name in module.imports} - {own, ""} <= MAY_IMPORT[own]


def test_every_part_has_its_place_and_no_two_import_each_other() -> None:
    assert {part(module.name) for module in modules() if module.name != "pipeline"} == set(MAY_IMPORT)
    settled: set[str] = set()
    while ready := {name for name, imported in MAY_IMPORT.items() if name not in settled and imported <= settled}:
        settled |= ready
    assert settled == set(MAY_IMPORT)


def test_statistics_import_no_frames() -> None:
    text = "".join(path.read_text(encoding="utf-8") for path in (ROOT / "pipeline" / "stats").glob("*.py"))
    assert not re.search(r"^\s*(?:import|from) (?:polars|pandas|duckdb|pathlib|datetime|time)\b", text, re.M)


def test_only_the_command_line_reads_the_clock() -> None:
    readers = {module.name for module in modules() if any(CLOCK.search(name) for name in module.names)}
    assert {part(name) for name in readers} == {"cli"}


@pytest.mark.parametrize(
    ("name", "is_clock"),
    [
        ("datetime.now", True),
        ("date.today", True),
        ("datetime.datetime.now", True),
        ("time.time", True),
        ("pl.Datetime", False),
        ("datetime.fromisoformat", False),
        ("self.now", False),
        ("run.now", False),
    ],
)
def test_the_clock_is_known_by_its_names(name: str, is_clock: bool) -> None:
    assert bool(CLOCK.search(name)) == is_clock


def test_no_statement_in_sql_reads_the_clock() -> None:
    files = [*(ROOT / "sql").rglob("*.sql"), *(ROOT / "pipeline").rglob("*.sql"), *(ROOT / "pipeline").rglob("*.py")]
    found = {path.name for path in files if CLOCK_IN_SQL.search(path.read_text(encoding="utf-8"))}
    assert found == {"nights.py", "watching.py"}


def test_only_the_night_and_its_sisters_open_connections() -> None:
    openers = {module.name for module in modules() if module.names & CONNECTIONS} - {"pipeline.store.database"}
    sisters = (
        *("check", "rebuild", "forget", "fixlist", "trace", "explain", "calls", "signals", "notes", "replay", "sight"),
        "editions",
    )
    assert openers == {f"pipeline.{name}" for name in ("nightly", *sisters)}


def test_only_the_store_knows_how_to_connect() -> None:
    # Parquet is read in a database of its own, in memory, so that a hostile file meets no store.
    connecting = {module.name for module in modules() if "duckdb.connect" in module.names}
    assert connecting == {"pipeline.store.database", "pipeline.intake.parquet"}
