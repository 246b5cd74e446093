"""Pages from contexts: templates, the one style sheet, and the policy that lets a page run and fetch nothing."""

import base64
import hashlib
from dataclasses import dataclass, fields
from functools import cache
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined

from reports import numbers
from reports.edition import Edition


@dataclass(frozen=True)
class NavigationEntry:
    """An entry of the pages' navigation."""

    name: str
    link: str


NAVIGATION = (
    NavigationEntry("The week", "index.html"),
    NavigationEntry("The watch", "safety.html"),
    NavigationEntry("Side by side", "compare.html"),
    NavigationEntry("What came in", "intake.html"),
    NavigationEntry("Methods", "methods.html"),
    NavigationEntry("Dictionary", "dictionary.html"),
)


@cache
def _environment() -> Environment:
    return Environment(
        loader=PackageLoader("reports", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


@cache
def _style() -> tuple[str, str]:
    """The style sheet and its hash for the Content-Security-Policy."""
    loader = _environment().loader
    assert loader is not None  # noqa: S101 - made with one above
    text = loader.get_source(_environment(), "style.css")[0]
    return text, base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()


def render(template: str, context: Any, edition: Edition, *, here: str, root: str = "") -> str:
    """A page's HTML from its template and its context, a frozen dataclass whose fields the template names.

    `here` is the page's link from the site's root, `root` the way back to it.
    """
    style, style_hash = _style()
    run = edition.run
    return (
        _environment()
        .get_template(template)
        .render(
            {field.name: getattr(context, field.name) for field in fields(context)},
            style=_as_is(style),
            style_hash=style_hash,
            navigation=NAVIGATION,
            here=here,
            root=root,
            chain_name=edition.chain_name,
            as_of=numbers.day(edition.as_of) if edition.as_of else "",
            run_line=f"Run {run['run_id']} took in what was new on {run['started_at']:%Y-%m-%d at %H:%M} UTC."
            if run
            else "",
        )
    )


def _as_is(text: str) -> Any:
    from markupsafe import Markup

    return Markup(text)  # noqa: S704 - our own style sheet
