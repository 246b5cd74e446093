"""Whether a site is whole, what a store holds, and what lies about: told without the code that made them.

Nothing here computes in this process with the libraries a night uses; see `warm`.
"""

import csv
import hashlib
import json
import re
from functools import cache
from html.parser import HTMLParser
from pathlib import Path

from .warm import Place, asked

PAGES = ("index", "safety", "compare", "intake", "methods")
TABLES = (
    "complication_rates", "attach", "revisits", "weekly", "control_charts", "comparison", "signals", "record_gaps",
    "intake", "rejected_rows",
)  # fmt: skip
"""Pages and tables that CONTRACT section 4 lists."""
_VOID = {"meta", "link", "br", "hr", "img", "input", "wbr"}

Dump = dict[str, list[object]]
"""By table: the number of its rows, and a digest of them, sorted."""


def published(site: Path) -> str:
    """The digest of the site that stands published, empty where there is none; `ValueError` where a file differs."""
    if not site.is_symlink():
        if site.exists():
            raise ValueError("a site that is no link")
        return ""
    target = site.parent / site.readlink()
    if not target.is_dir():
        raise ValueError(f"the site leads to {target.name}, which is not there")
    digest = content_digest(target)
    if target.name != f".{site.name}.{digest}":
        raise ValueError(f"the site's content does not fit its name {target.name}")
    return digest


def content_digest(folder: Path) -> str:
    """16 digits of the SHA-256 over every file's path and bytes, each with a zero byte behind, in path order."""
    digest = hashlib.sha256()
    files = [path for path in folder.rglob("*") if path.is_file()]
    for path in sorted(files, key=lambda path: path.relative_to(folder).parts):
        digest.update(path.relative_to(folder).as_posix().encode() + b"\0" + path.read_bytes() + b"\0")
    return digest.hexdigest()[:16]


def published_whole(site: Path) -> str:
    """As `published`; `ValueError` also where a page or a table is missing or does not parse."""
    digest = published(site)
    if digest:
        _check_parts(site.resolve(), digest)
    return digest


@cache
def _check_parts(folder: Path, digest: str) -> None:
    """`ValueError` where a page or table is missing or does not parse; once for a content, which `digest` names."""
    assert folder.name.endswith(digest)
    for name in PAGES:
        check_page((folder / f"{name}.html").read_text(encoding="utf-8"))
    for page in folder.glob("branch/*.html"):
        check_page(page.read_text(encoding="utf-8"))
    for name in TABLES:
        check_table(folder / "tables" / f"{name}.csv")
    json.loads((folder / "summary.json").read_text(encoding="utf-8"))


class _Nesting(HTMLParser):
    """Keeps the tags that stand open; `ValueError` where one closes that is not the innermost."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.n_elements = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.n_elements += bool(attrs) or 1
        if tag not in _VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.n_elements += bool(tag or attrs)

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open.pop() != tag:
            raise ValueError(f"</{tag}> closes what is not open")


def check_page(html: str) -> None:
    """`ValueError` where a page is cut short or badly nested."""
    nesting = _Nesting()
    nesting.feed(html)
    nesting.close()
    if nesting.open or nesting.n_elements < 10 or not html.rstrip().endswith("</html>"):
        raise ValueError(f"a page is cut short: {nesting.open}")


def check_table(path: Path) -> None:
    """`ValueError` where a table's rows differ in width, or the file does not end with a line's end."""
    text = path.read_text(encoding="utf-8")
    rows = list(csv.reader(text.splitlines(keepends=True), strict=True))
    if not text.endswith("\n") or {len(row) for row in rows} != {len(rows[0])}:
        raise ValueError(f"{path.name} is cut short")


def dump(store: Path) -> Dump:
    """What a store holds, read by a process of its own; empty where there is none."""
    if not store.exists():
        return {}
    found: Dump = asked(lambda: _dump(store))
    return found


def _dump(store: Path) -> Dump:
    import duckdb

    with duckdb.connect(str(store), read_only=True) as con:
        names = con.execute("select table_name from duckdb_tables() where not temporary order by all").fetchall()
        found: Dump = {}
        for (name,) in names:
            rows = con.execute(f"select * from {name} order by all").fetchall()
            found[name] = [len(rows), hashlib.sha256(repr(rows).encode()).hexdigest()]
        return found


def lost_or_doubled(held: Dump, wanted: Dump) -> list[str]:
    """The tables in which a store differs from what it should hold."""
    return [
        f"{name}: {held.get(name, [0])[0]} rows instead of {wanted.get(name, [0])[0]}"
        + (", or others" if held.get(name, [0])[0] == wanted.get(name, [0])[0] else "")
        for name in sorted({*held, *wanted})
        if held.get(name) != wanted.get(name)
    ]


def left_about(place: Place) -> list[str]:
    """Names that lie beside the store and the site and have no business there after a night."""
    stem = place.store.stem
    own = {place.store.name, f"{place.store.name}.lock", "scapha.key", place.site.name}
    own |= {f"{stem}.journal.jsonl", f"{stem}.originals"}
    if place.site.is_symlink():
        own.add(place.site.readlink().name)
    about = {path.name for folder in (place.store, place.site) for path in folder.parent.iterdir()} - own
    about |= {path.name for path in (place.store.parent / f"{stem}.originals").glob("*.aside")}
    return sorted("an older site" if re.fullmatch(r"\.\w+\.[0-9a-f]{16}", name) else name for name in about)


def bytes_of(place: Place) -> dict[str, str]:
    """Every file and link beside the store and the site with a digest of its bytes; locks aside."""
    found = {}
    for path in sorted([*place.folder.glob("kept/**/*"), *place.folder.glob("pages/**/*")]):
        if path.is_symlink():
            found[str(path.relative_to(place.folder))] = str(path.readlink())
        elif path.is_file() and not path.name.endswith(".lock"):
            found[str(path.relative_to(place.folder))] = hashlib.sha256(path.read_bytes()).hexdigest()
    return found
