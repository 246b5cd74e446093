"""A mail's content before it has a sender: subject, text, the same as HTML with its pictures, and a file with it."""

import base64
import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, fields
from functools import cache
from importlib.resources import files
from typing import Any

from markupsafe import Markup

from reports.charts.pictures import png
from reports.edition import Edition
from reports.palette import filled, palettes
from reports.parts import Figure
from reports.rendering import known_line, laid_out


@dataclass(frozen=True)
class Picture:
    """A chart in a mail: its message, what it shows, its PNG file, and the name by which the HTML asks for it."""

    title: str
    subtitle: str
    png: bytes
    width: int  # as it is shown; the file has more pixels

    @property
    def content_id(self) -> str:
        """A name of its own, as it is the picture's digest."""
        return f"{hashlib.sha256(self.png).hexdigest()[:20]}@picture.scapha"


@dataclass(frozen=True)
class Attached:
    """A file that goes with a mail."""

    name: str
    html: str


@dataclass(frozen=True)
class Letter:
    """A mail's content."""

    subject: str
    text: str
    html: str
    pictures: tuple[Picture, ...]
    attached: Attached | None = None


def picture(figure: Figure) -> Picture:
    """A page's figure as a picture."""
    return Picture(figure.title, figure.subtitle, png(figure.drawing), width=480)


def letter(template: str, context: Any, edition: Edition, *, subject: str, attached: Attached | None = None) -> Letter:
    """A mail from its two templates, of text and of HTML, and a frozen dataclass whose fields these name."""
    subject = f"{edition.chain_name}: {subject[0].lower()}{subject[1:]}" if edition.chain_name else subject
    values: Mapping[str, Any] = {
        **{field.name: getattr(context, field.name) for field in fields(context)},
        "subject": subject,
        "known": known_line(edition),
        "attached": attached,
    }
    style, style_hash = _style()
    html = laid_out(f"mail/{template}.html", {**values, "style": Markup(style), "style_hash": style_hash})  # noqa: S704 - ours
    text = laid_out(f"mail/{template}.txt", values)
    return Letter(subject, text, html, context.pictures, attached)


@cache
def _style() -> tuple[str, str]:
    """The style of mail and its hash for the policy. Colours stand in it twice, as many readers know no variables."""
    rules = (files("reports") / "templates" / "mail" / "mail.css").read_text(encoding="utf-8")
    light, dark = (filled(rules, colours) for colours in palettes())
    text = f":root {{ color-scheme: light dark; }}\n{light}@media (prefers-color-scheme: dark) {{\n{dark}}}\n"
    return text, base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
