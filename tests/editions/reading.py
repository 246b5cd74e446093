"""Reading an edition as its reader could: every byte of it, every link, every table."""

import csv
import json
import posixpath
import re
from dataclasses import replace
from html import unescape
from pathlib import Path
from urllib.parse import unquote

from reports.edition import Edition
from reports.parts import Figure, Figures
from reports.readers.declared import BRANCH, CHAIN, OWNER, Reader
from reports.site import build_site

WORD = re.compile(r"[\w-]+")
LINK = re.compile(r'href="([^"]*)"')


def branch(branch_id: str) -> Reader:
    return replace(BRANCH, branch_id=branch_id)


def of_all_kinds(branch_ids: list[str]) -> list[Reader]:
    """Every reader of a night's results, and each branch."""
    return [OWNER, CHAIN, *(branch(branch_id) for branch_id in branch_ids)]


def made_for(edition: Edition, reader: Reader, folder: Path) -> Path:
    """A reader's edition in a folder; instead of charts it holds all that they would be drawn from."""
    kept = Figures.draw

    def draw(_: Figures, chart, *, title, subtitle, table, method):  # type: ignore[no-untyped-def]
        drawing = f"<p>{json.dumps(chart.to_dict(), default=str)}</p>"
        return Figure("figure", title, subtitle, drawing, table, method)

    folder.mkdir()
    Figures.draw = draw  # type: ignore[method-assign]
    try:
        build_site(edition, folder, reader)
    finally:
        Figures.draw = kept  # type: ignore[method-assign]
    return folder


def everything_in(folder: Path) -> dict[str, str]:
    """The name and the text of every file of an edition, by its path."""
    root = folder.resolve()
    files = sorted(path for path in root.rglob("*") if path.is_file())
    return {
        str(path.relative_to(root)): f"{unquote(path.name)}\n{unescape(path.read_text(encoding='utf-8'))}"
        for path in files
    }


def met(folder: Path, secrets: set[str]) -> dict[str, set[str]]:
    """Which of some texts stand in an edition, those without spaces as words of their own, by the path of the file."""
    words = {secret for secret in secrets if WORD.fullmatch(secret)}
    found = {
        path: (words & set(WORD.findall(text))) | {secret for secret in secrets - words if secret in text}
        for path, text in everything_in(folder).items()
    }
    return {path: of_these for path, of_these in found.items() if of_these}


def dead_links(folder: Path) -> list[tuple[str, str]]:
    """Links that lead to no file of the edition, or to no element of a page, each with the page it stands on."""
    root = folder.resolve()
    pages = {str(path.relative_to(root)): path.read_text(encoding="utf-8") for path in root.rglob("*.html")}
    dead = []
    for name, text in pages.items():
        for link in map(unescape, LINK.findall(text)):
            path, _, anchor = link.partition("#")
            leads = posixpath.normpath(posixpath.join(posixpath.dirname(name), unquote(path))) if path else name
            if not (root / leads).is_file() or (anchor and f'id="{anchor}"' not in pages[leads]):
                dead.append((name, link))
    return dead


def rows_of(folder: Path, table: str) -> list[dict[str, str]]:
    """A table's rows; none where the edition has no such table."""
    path = folder / "tables" / f"{table}.csv"
    if not path.exists():
        return []
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file, strict=True))
