"""Whether a payload came through as more than text: into a page's elements, or into a cell that a spreadsheet runs.

Each check gives what it finds, in words; nothing found is an empty list.
"""

import csv
import re
import zipfile
from collections.abc import Collection, Iterator
from pathlib import Path
from urllib.parse import unquote, urlsplit
from xml.etree import ElementTree

from pagehtml import Element, read_page

from support.payload_texts import MARK

_NO_TEXT = re.compile(r"<!--|<!\[|<\?|<!(?!DOCTYPE html>)")
_PARTS = (
    r"\[Content_Types\]\.xml|_rels/\.rels|docProps/(app|core)\.xml|xl/_rels/workbook\.xml\.rels"
    r"|xl/(workbook|styles|sharedStrings|metadata)\.xml|xl/theme/theme1\.xml|xl/worksheets/sheet\d+\.xml"
)
_NUMBER = re.compile(r"-?\d+([.,]\d+)?(e-?\d+)?")
_LEADS = "=+-@\t\r\n\uff1d\uff0b\uff0d\uff20"
_WORDS = ("aria-label", "alt")
"""Attributes that hold words, read out as such: names too."""


def page_faults(path: Path, root: Path, *, tags: Collection[str], attributes: Collection[str]) -> list[str]:
    """What is on a page besides its template's elements and attributes, and links out of the folder `root`."""
    html = path.read_text(encoding="utf-8")
    try:
        elements = read_page(path).all()
    except ValueError as error:
        return [f"{path.name}: {error}"]
    found = [f"a comment or declaration {html[at.start() :][:40]!r}" for at in _NO_TEXT.finditer(html)]
    for element in elements:
        found += _element_faults(element, path, root, tags, attributes)
    return [f"{path.name}: {fault}" for fault in found]


def _element_faults(
    element: Element, path: Path, root: Path, tags: Collection[str], attributes: Collection[str]
) -> Iterator[str]:
    if element.tag not in tags:
        yield f"<{element.tag}>"
    if element.tag == "style" and MARK.search(element.text):
        yield "a payload in a style sheet"
    for name, value in element.attributes.items():
        if name not in attributes or MARK.search(name):
            yield f"<{element.tag} {name}>"
        if name == "href":  # that of a branch's page holds an id, as a file's name
            yield from _link_faults(value, path, root)
        elif name not in _WORDS and MARK.search(value):
            yield f"<{element.tag} {name}={value[:60]!r}>"


def _link_faults(link: str, path: Path, root: Path) -> Iterator[str]:
    parts = urlsplit(link)
    target = (path.parent / unquote(parts.path)).resolve()
    if parts.scheme or parts.netloc or not target.is_relative_to(root.resolve()):
        yield f"a link out of the folder, {link[:60]!r}"
    elif parts.path and not target.is_file():
        yield f"a link to no file, {link[:60]!r}"


def csv_faults(path: Path) -> list[str]:
    """Cells of a CSV file that a spreadsheet would run, and rows that a payload tore apart."""
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.reader(file, strict=True))
    torn = [f"{path.name}: a row of {len(row)} cells under {len(rows[0])}" for row in rows if len(row) != len(rows[0])]
    run = [cell for row in rows for cell in row if cell[:1] in _LEADS and cell and not _NUMBER.fullmatch(cell)]
    return torn + [f"{path.name}: a cell that runs, {cell[:40]!r}" for cell in run]


def book_faults(path: Path, *, holds_no: str) -> list[str]:
    """What in an XLSX workbook is no text: cells, links, parts that could hold code; and where it holds a text."""
    found: list[str] = []
    with zipfile.ZipFile(path) as book:
        for name in book.namelist():
            if holds_no.encode() in book.read(name):
                found.append(f"{holds_no} in {name}")
            if not re.fullmatch(_PARTS, name):
                found.append(f"a part {name}")
            elif name.startswith("xl/worksheets/"):
                found += _sheet_faults(ElementTree.fromstring(book.read(name)))  # noqa: S314 - our own file
    return [f"{path}: {fault}" for fault in found]


def _sheet_faults(sheet: ElementTree.Element) -> Iterator[str]:
    for element in sheet.iter():
        kind = element.tag.rpartition("}")[2]
        if kind in ("f", "hyperlink", "drawing", "oleObject", "dataValidation"):
            yield f"<{kind}>"
        if kind == "c" and len(element) and element.get("t") != "s":
            yield f"a cell that is no text, {element.get('r')}"
