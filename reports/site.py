"""The site: every page and table of an edition for its reader, written into a folder."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

from reports import numbers
from reports.edition import Edition
from reports.pages import branch, compare, dictionary, index, intake, methods, outside, safety
from reports.readers.declared import EVERY_BRANCH, OUTSIDE, QUALITY_LEAD, Reader
from reports.readers.filtering import PublishedTable, edition_for, published_tables
from reports.rendering import NAVIGATION, NavigationEntry, Setting, known_line, render
from reports.summary import summarise
from reports.tables import write_tables

Page = tuple[str, Callable[[], Any]]
"""A page's template, and what builds its context."""


def build_site(edition: Edition, folder: Path, reader: Reader = QUALITY_LEAD) -> None:
    """Write an edition's pages, tables and summary for a reader into an existing, empty folder.

    All of it is made of what the reader may see, so that no page, table or summary tells more.
    """
    edition = edition_for(edition, reader)
    tables = published_tables(edition, reader)
    pages = _pages(edition, reader, tables)
    setting = _setting(edition, reader, {*pages, *(f"tables/{name}.csv" for name in tables)})
    for name in ("tables", *(("branch",) if EVERY_BRANCH in reader.pages else ())):
        (folder / name).mkdir(mode=0o700)
    write_tables({name: table.frame for name, table in tables.items()}, folder / "tables")
    summary = {"reader": reader.title, **summarise(edition)}
    (folder / "summary.json").write_text(json.dumps(summary, indent=2) + "\n", encoding="utf-8")
    for path, (template, build) in pages.items():
        html = render(template, build(), chain_name=edition.chain_name, setting=setting, here=path)
        (folder / path).write_text(html, encoding="utf-8")


def first_page(reader: Reader) -> str:
    """The path of the page that a reader's edition begins with, from its root."""
    first = reader.pages[0]
    return f"{first}{numbers.page_name(reader.branch_id)}" if first == EVERY_BRANCH else first


def _pages(edition: Edition, reader: Reader, tables: dict[str, PublishedTable]) -> dict[str, Page]:
    """The pages of a reader's edition by their paths from its root."""
    known: dict[str, Page] = {
        "index.html": ("index.html", lambda: index.build(edition)),
        "safety.html": ("safety.html", lambda: safety.build(edition)),
        "compare.html": ("compare.html", lambda: compare.build(edition)),
        "intake.html": ("intake.html", lambda: intake.build(edition)),
        "methods.html": ("methods.html", lambda: methods.build(edition, tables)),
        "dictionary.html": ("dictionary.html", dictionary.build),
    }
    if reader == OUTSIDE:
        known = {"index.html": ("outside.html", lambda: outside.build(edition))}
    pages = {path: page for path, page in known.items() if path in reader.pages}
    if EVERY_BRANCH in reader.pages:
        for branch_id in edition.results["branches"]["branch_id"]:
            pages[f"branch/{numbers.page_name(branch_id)}"] = _branch_page(edition, branch_id)
    return pages


def _branch_page(edition: Edition, branch_id: str) -> Page:
    return "branch.html", lambda: branch.build(edition, branch_id)


def _setting(edition: Edition, reader: Reader, files: set[str]) -> Setting:
    """What a reader's pages stand in."""
    if reader == OUTSIDE:
        return Setting((NavigationEntry("Quarter by quarter", "index.html"),), files, outside.KNOWN)
    navigation = tuple(entry for entry in NAVIGATION if entry.link in files)
    if reader.branch_id:
        navigation = (NavigationEntry("This branch", f"branch/{numbers.page_link(reader.branch_id)}"), *navigation)
    return Setting(navigation, files, known_line(edition))
