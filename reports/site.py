"""The site: every page and table of an edition, written into a folder."""

import json
from pathlib import Path

from reports.edition import Edition
from reports.summary import summarise
from reports.tables import write_tables


def build_site(edition: Edition, folder: Path) -> None:
    """Write an edition's pages, tables and summary into an existing, empty folder."""
    (folder / "tables").mkdir(mode=0o700)
    write_tables(edition.results, folder / "tables")
    (folder / "summary.json").write_text(json.dumps(summarise(edition), indent=2) + "\n", encoding="utf-8")
