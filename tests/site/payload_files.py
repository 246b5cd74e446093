"""What is given out of the chain of payloads: site, editions, fix lists and mails, and what is wrong in them."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

from inert import book_faults, csv_faults, page_faults
from pagehtml import pages_of
from playwright.sync_api import Page
from test_hostile import ATTRIBUTES, DRAWING_ATTRIBUTES
from test_markup import ALLOWED

from mail.postbox import attachment, mails, part
from pipeline.fixlist import write_fix_lists
from reports.readers.declared import BRANCH, Reader
from reports.site import build_site
from support.editions import Published, publish
from support.payload_chain import NOW, SECRET, fill_inbox, id_of, settings

OF_PAGES = ATTRIBUTES | DRAWING_ATTRIBUTES
OF_MAIL = ATTRIBUTES | {"src", "alt", "width"}
GIVEN_OUT = ("site", "owner", "chain", "branch", "lists", "mails", "store.outbox")
"""Folders of what is given out, within that of a run."""


def give_out(folder: Path, texts: Sequence[str], *, to_a_branch: int, readers: Sequence[Reader]) -> Published:
    """Run a night over the payloads, and write the readers' editions, fix lists and the mails' parts into a folder."""
    fill_inbox(folder / "inbox", texts, to_a_branch=to_a_branch)
    published = publish(folder / "inbox", folder, now=NOW, settings=settings(texts[0]))
    for reader in readers:
        own = folder / reader.name
        own.mkdir()
        of_one = replace(reader, branch_id=id_of(texts[0])) if reader == BRANCH else reader
        build_site(published.edition, own, of_one)
    write_fix_lists(folder / "lists", store=folder / "store.duckdb", settings=None, progress=lambda _: None)
    _unpack_mails(folder)
    return published


def _unpack_mails(folder: Path) -> None:
    """Write what mails hold as files: what a reader's program shows, and what is attached."""
    (folder / "mails").mkdir()
    for name, mail in mails(folder / "store.outbox").items():
        (folder / "mails" / f"{name}.html").write_text(part(mail, "text/html"), encoding="utf-8")
        (folder / "mails" / f"{name}.txt").write_text(f"{mail}\n{part(mail, 'text/plain')}", encoding="utf-8")
        if name.endswith(".week.eml"):
            (folder / "mails" / "attached.html").write_text(attachment(mail), encoding="utf-8")


def faults(folder: Path) -> list[str]:
    """What came through as more than text, in any file that is given out, and files that tell of a client."""
    return [fault for name in GIVEN_OUT for fault in _faults(folder / name)]


def _faults(root: Path) -> Iterator[str]:
    for path in sorted(root.resolve().rglob("*")):
        if not path.is_file():
            continue
        if path.suffix == ".html":
            mailed = path.name.endswith(".eml.html")
            tags, attributes = (ALLOWED | {"img", "br"}, OF_MAIL) if mailed else (ALLOWED, OF_PAGES)
            yield from page_faults(path, root, tags=tags, attributes=attributes)
        elif path.suffix == ".csv":
            yield from csv_faults(path)
        elif path.suffix == ".xlsx":
            yield from book_faults(path, holds_no=SECRET)
        if SECRET.encode() in path.read_bytes():
            yield f"{path}: a client's key"


def seen_by_a_browser(page: Page) -> tuple[dict[str, int], list[str]]:
    """How many elements of each tag a browser made of a page, and attributes and comments that hold a payload."""
    counts, held = page.evaluate(
        r"""() => {
            const counts = {}, held = [], mark = /zq\d+q/i
            for (const element of document.querySelectorAll('*')) {
                const tag = element.tagName.toLowerCase()
                counts[tag] = (counts[tag] || 0) + 1
                for (const {name, value} of element.attributes)
                    if (mark.test(name) || (mark.test(value) && name !== 'href' && name !== 'aria-label'))
                        held.push(`<${tag} ${name}=${value}>`)
                if (element.href && new URL(element.href).protocol !== 'file:') held.push(element.href)
            }
            const comments = document.createNodeIterator(document, NodeFilter.SHOW_COMMENT)
            while (comments.nextNode()) held.push('a comment')
            return [counts, held]
        }"""
    )
    return counts, held


def pages_for_a_browser(folder: Path) -> list[Path]:
    """Every page that is given out, but for mails' own, whose pictures lie in the mail."""
    found = [path for name in GIVEN_OUT for path in pages_of(folder / name)]
    return [path for path in found if not path.name.endswith(".eml.html")]
