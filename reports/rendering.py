"""Pages from contexts: templates, the one style sheet, and the policy that lets a page run and fetch nothing."""

import base64
import hashlib
import posixpath
import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass, fields
from functools import cache
from typing import Any
from urllib.parse import unquote, urlsplit

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
_LINK = re.compile(r'<a href="([^"]*)"[^>]*>(.*?)</a>', re.DOTALL)


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


@dataclass(frozen=True)
class Setting:
    """What an edition's pages stand in: its navigation, the paths of all its files, and how its figures are known."""

    navigation: tuple[NavigationEntry, ...]
    files: Collection[str]
    known: str


def known_line(edition: Edition) -> str:
    """Of which day an edition tells, and the run that brought its newest rows."""
    known = f"As known on {numbers.day(edition.as_of)}." if edition.as_of else "No data yet."
    run = edition.run
    if not run:
        return known
    return f"{known} Run {run['run_id']} took in what was new on {run['started_at']:%Y-%m-%d at %H:%M} UTC."


def render(template: str, context: Any, *, chain_name: str, setting: Setting, here: str) -> str:
    """A page's HTML from its template and its context, a frozen dataclass whose fields the template names.

    `here` is the page's path from the edition's root. What would lead to a file that the edition does not hold stands
    without its link.
    """
    style, style_hash = _style()
    html = (
        _environment()
        .get_template(template)
        .render(
            {field.name: getattr(context, field.name) for field in fields(context)},
            style=_as_is(style),
            style_hash=style_hash,
            navigation=setting.navigation,
            here=here,
            root="../" * here.count("/"),
            chain_name=chain_name,
            known=setting.known,
            has_methods="methods.html" in setting.files,
        )
    )
    return _LINK.sub(lambda link: link[0] if _leads(link[1], here, setting.files) else link[2], html)


def laid_out(template: str, values: Mapping[str, Any]) -> str:
    """A template filled with values and with nothing besides: of what is no page, such as mail."""
    return _environment().get_template(template).render(values)


def _leads(link: str, here: str, files: Collection[str]) -> bool:
    """Whether a link on a page leads somewhere in the edition: within the page, or to a file that is there."""
    path = unquote(urlsplit(link.replace("&amp;", "&")).path)
    return not path or posixpath.normpath(posixpath.join(posixpath.dirname(here), path)) in files


def _as_is(text: str) -> Any:
    from markupsafe import Markup

    return Markup(text)  # noqa: S704 - our own style sheet
