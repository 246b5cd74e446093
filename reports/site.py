"""The site: every page and table of an edition, written into a folder."""

import json
from collections.abc import Iterator
from pathlib import Path

from reports import numbers
from reports.edition import Edition
from reports.pages import branch, compare, dictionary, index, intake, methods, safety
from reports.rendering import render
from reports.summary import summarise
from reports.tables import write_tables


def build_site(edition: Edition, folder: Path) -> None:
    """Write an edition's pages, tables and summary into an existing, empty folder."""
    (folder / "tables").mkdir(mode=0o700)
    (folder / "branch").mkdir(mode=0o700)
    write_tables(edition.results, folder / "tables")
    (folder / "summary.json").write_text(json.dumps(summarise(edition), indent=2) + "\n", encoding="utf-8")
    for name, html in _pages(edition):
        (folder / name).write_text(html, encoding="utf-8")


def _pages(edition: Edition) -> Iterator[tuple[str, str]]:
    """Every page by its path from the site's root."""
    yield "index.html", render("index.html", index.build(edition), edition, here="index.html")
    yield "safety.html", render("safety.html", safety.build(edition), edition, here="safety.html")
    yield "compare.html", render("compare.html", compare.build(edition), edition, here="compare.html")
    yield "intake.html", render("intake.html", intake.build(edition), edition, here="intake.html")
    yield "methods.html", render("methods.html", methods.build(edition), edition, here="methods.html")
    yield "dictionary.html", render("dictionary.html", dictionary.build(), edition, here="dictionary.html")
    for branch_id in edition.results["branches"]["branch_id"]:
        path = f"branch/{numbers.page_name(branch_id)}"
        yield path, render("branch.html", branch.build(edition, branch_id), edition, here=path, root="../")
