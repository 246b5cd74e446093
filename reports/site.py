"""The site: every page and table of an edition for its reader, written into a folder."""

import json
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from itertools import chain
from pathlib import Path
from typing import Any

from reports import numbers
from reports.branch_pages import branches_drawn, path_of
from reports.edition import Edition
from reports.locales import written_in
from reports.pages import compare, dictionary, index, intake, methods, outside, safety
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
    for name in ("tables", *(("branch",) if EVERY_BRANCH in reader.pages else ())):
        (folder / name).mkdir(mode=0o700)
    with _drawn(edition, reader, tables, [f"tables/{name}.csv" for name in tables]) as (pages, _):
        write_tables({name: table.frame for name, table in tables.items()}, folder / "tables")
        summary = {"reader": reader.title, **summarise(edition)}
        (folder / "summary.json").write_text(json.dumps(summary, indent=2) + "\n", encoding="utf-8")
        for path, html in pages:
            (folder / path).write_text(html, encoding="utf-8")


def pages_alone(edition: Edition, reader: Reader) -> tuple[dict[str, str], Setting]:
    """The HTML of every page of a reader's edition by its path, without tables beside them, and what they stand in."""
    edition = edition_for(edition, reader)
    with _drawn(edition, reader, published_tables(edition, reader), ()) as (pages, setting):
        return dict(pages), setting


def first_page(reader: Reader) -> str:
    """The path of the page that a reader's edition begins with, from its root."""
    first = reader.pages[0]
    return f"{first}{numbers.page_name(reader.branch_id)}" if first == EVERY_BRANCH else first


@contextmanager
def _drawn(
    edition: Edition, reader: Reader, tables: dict[str, PublishedTable], beside: Iterable[str]
) -> Iterator[tuple[Iterator[tuple[str, str]], Setting]]:
    """The pages of a reader's edition, each its path from the root and its HTML, and what they stand in.

    `beside` are the paths of the files beside them.
    """
    pages = _pages(edition, reader, tables)
    branch_ids = edition.results["branches"]["branch_id"].to_list() if EVERY_BRANCH in reader.pages else []
    with written_in(edition.locale):
        setting = _setting(edition, reader, {*pages, *map(path_of, branch_ids), *beside})
        with branches_drawn(edition, branch_ids, setting) as of_branches:
            of_all = (
                (path, render(template, build(), chain_name=edition.chain_name, setting=setting, here=path))
                for path, (template, build) in pages.items()
            )
            yield chain(of_all, of_branches), setting


def _pages(edition: Edition, reader: Reader, tables: dict[str, PublishedTable]) -> dict[str, Page]:
    """The pages of a reader's edition, but for those of branches, by their paths from its root."""
    if reader == OUTSIDE:
        return {"index.html": ("outside.html", lambda: outside.build(edition))}
    known: dict[str, Page] = {
        "index.html": ("index.html", lambda: index.build(edition)),
        "safety.html": ("safety.html", lambda: safety.build(edition)),
        "compare.html": ("compare.html", lambda: compare.build(edition)),
        "intake.html": ("intake.html", lambda: intake.build(edition)),
        "methods.html": ("methods.html", lambda: methods.build(edition, tables)),
        "dictionary.html": ("dictionary.html", dictionary.build),
    }
    return {path: page for path, page in known.items() if path in reader.pages}


def _setting(edition: Edition, reader: Reader, files: set[str]) -> Setting:
    """What a reader's pages stand in."""
    if reader == OUTSIDE:
        return Setting((NavigationEntry("Quarter by quarter", "index.html"),), files, outside.KNOWN)
    navigation = tuple(entry for entry in NAVIGATION if entry.link in files)
    if reader.branch_id:
        navigation = (NavigationEntry("This branch", f"branch/{numbers.page_link(reader.branch_id)}"), *navigation)
    return Setting(navigation, files, known_line(edition))
