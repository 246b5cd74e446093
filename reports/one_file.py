"""An edition in one HTML file, to be sent: its pages one below the other, which ask for nothing outside the file.

What a page says stays as it is. Its identifiers begin with its name, so that two pages share none, and links between
pages lead to their places in the file. Links to tables are taken off: these lie beside the published pages alone.
"""

import re
from collections.abc import Collection
from dataclasses import dataclass

from markupsafe import Markup

from reports.edition import Edition
from reports.readers.declared import Reader
from reports.rendering import NavigationEntry, Setting, render
from reports.site import pages_alone

MOST_BYTES = 1_000_000
"""Of the file: many mail servers take no large one."""
_TAG = re.compile(r"<[^<>]*>")
_IDENTIFIER = re.compile(r'( (?:id|aria-labelledby)="|url\(#)')
_LINK = re.compile(r' href="([^"#]*)#?([^"]*)"')


@dataclass(frozen=True)
class Part:
    """A page as a part of the file: its name, which is its identifier too, and its content."""

    name: str
    content: Markup


@dataclass(frozen=True)
class Context:
    """The file's content, and the pages for which there was no room."""

    title: str
    pages: tuple[Part, ...]
    left_out: str


def as_one_file(edition: Edition, reader: Reader, title: str) -> str:
    """A reader's edition as one HTML file; where that grows too large, its last pages stay out, but for the first."""
    pages, setting = pages_alone(edition, reader)
    for n_pages in range(len(pages), 0, -1):
        kept = dict(list(pages.items())[:n_pages])
        html = _joined(kept, setting, title, edition.chain_name)
        if len(html.encode()) <= MOST_BYTES:
            break
    return html


def _joined(pages: dict[str, str], setting: Setting, title: str, chain_name: str) -> str:
    names = {_name(path) for path in pages}
    shown = [entry for entry in setting.navigation if _name(entry.link) in names]
    context = Context(
        title=title,
        pages=tuple(Part(_name(path), _content(path, html, names)) for path, html in pages.items()),
        left_out=", ".join(entry.name for entry in setting.navigation if entry not in shown),
    )
    navigation = tuple(NavigationEntry(entry.name, f"#{_name(entry.link)}") for entry in shown)
    inside = Setting(navigation, (), setting.known)
    return render("one_file.html", context, chain_name=chain_name, setting=inside, here="")


def _name(path: str) -> str:
    return path.removesuffix(".html").replace("/", "-")


def _content(path: str, html: str, names: Collection[str]) -> Markup:
    """A page's main part, its identifiers and links made the file's."""
    main = html.partition('<main id="content">')[2].rpartition("</main>")[0]
    made = _TAG.sub(lambda tag: _of_file(tag[0], _name(path), names), main)
    return Markup(made)  # noqa: S704 - a page, escaped where it was made


def _of_file(tag: str, name: str, names: Collection[str]) -> str:
    """A tag of a page as one of the file; a link to a page that is not there stays, and comes off with the others."""

    def led(link: re.Match[str]) -> str:
        page, anchor = _name(link[1]) or name, link[2]
        return f' href="#{page}{f"-{anchor}" if anchor else ""}"' if page in names else link[0]

    return _LINK.sub(led, _IDENTIFIER.sub(rf"\g<1>{name}-", tag))
