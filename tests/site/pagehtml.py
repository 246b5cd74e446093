"""A page of HTML as its elements: strict about nesting, so that a page that reads well here reads the same anywhere."""

from dataclasses import dataclass, field
from functools import cache
from html.parser import HTMLParser
from pathlib import Path

VOID = {"meta", "link", "br", "hr", "img", "input", "wbr"}


@dataclass(eq=False, repr=False)
class Element:
    """An element with its attributes, its own and its children's text, and its parent."""

    tag: str
    attributes: dict[str, str]
    parent: "Element | None"
    children: "list[Element]" = field(default_factory=list)
    pieces: "list[str | Element]" = field(default_factory=list)

    @property
    def text(self) -> str:
        """All text in it."""
        return "".join(piece if isinstance(piece, str) else piece.text for piece in self.pieces)

    @property
    def words(self) -> str:
        """All text in it, a space around every element's: cells of a table that touch are no one word."""
        return "".join(piece if isinstance(piece, str) else f" {piece.words} " for piece in self.pieces)

    def all(self, *tags: str) -> "list[Element]":
        """Elements in it, itself left out, with one of the tags, or all, in document order."""
        found: list[Element] = []
        for child in self.children:
            found += [child, *child.all()]
        return [element for element in found if not tags or element.tag in tags]

    def is_within(self, tag: str) -> bool:
        """Whether it lies in an element of a tag."""
        return self.parent is not None and (self.parent.tag == tag or self.parent.is_within(tag))


class _Builder(HTMLParser):
    """Builds elements; raises `ValueError` where one closes that is not open, or an attribute stands twice."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.root = Element("", {}, None)
        self.open = self.root

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        names = [name for name, _ in attrs]
        if len(names) != len(set(names)):
            raise ValueError(f"<{tag}> has an attribute twice: {names}")
        element = Element(tag, {name: value or "" for name, value in attrs}, self.open)
        self.open.children.append(element)
        self.open.pieces.append(element)
        if tag not in VOID:
            self.open = element

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.handle_endtag(tag)

    def handle_endtag(self, tag: str) -> None:
        if self.open.tag != tag or self.open.parent is None:
            raise ValueError(f"</{tag}> closes <{self.open.tag}> at {self.getpos()}")
        self.open = self.open.parent

    def handle_data(self, data: str) -> None:
        self.open.pieces.append(data)


@cache
def read_page(path: Path) -> Element:
    """A page's root, the parent of its html element. `ValueError` where its elements do not nest."""
    builder = _Builder()
    builder.feed(path.read_text(encoding="utf-8"))
    builder.close()
    if builder.open is not builder.root:
        raise ValueError(f"<{builder.open.tag}> is never closed")
    return builder.root


def body_text(path: Path) -> str:
    """What a reader meets on a page: all text of its body, with plain spaces."""
    (body,) = read_page(path).all("body")
    return body.words.replace("\u00a0", " ")


def pages_of(site: Path) -> list[Path]:
    """Every page of a site."""
    return sorted(site.resolve().rglob("*.html"))
