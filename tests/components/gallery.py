"""A page with every component in every case: `python -m components.gallery FOLDER`, in `tests`, writes its index.html.

It is made by what makes the pages, with their style.
"""

import sys
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from markupsafe import Markup

from reports.charts.drawing import Drawable
from reports.parts import Cell, Figure, Figures, Table
from reports.rendering import NavigationEntry, Setting, _environment, render
from reports.sections.incidents import Incident

from .cases import COMPONENTS
from .component import Component
from .listed import parts_module

TEMPLATE = Path(__file__).with_name("gallery.html")


@dataclass(frozen=True)
class ShownCase:
    """A case under its name, as HTML."""

    name: str
    html: Markup


@dataclass(frozen=True)
class ShownComponent:
    """A component with its cases, and why it has none of some edges."""

    name: str
    cases: tuple[ShownCase, ...]
    without: Mapping[str, str]


@dataclass(frozen=True)
class Context:
    """The page's content."""

    components: tuple[ShownComponent, ...]


class Anywhere(frozenset[str]):
    """Files that a page may link to: any, so that links stand as they do on pages. They lead nowhere here."""

    def __contains__(self, _: object) -> bool:
        return True


class GalleryFigures(Figures):
    """Draws figures, and charts that no section gave words and a table."""

    def bare(self, chart: Drawable) -> Markup:
        """A chart by itself, under a title that only names it."""
        figure = self.draw(chart, title="The chart by itself", subtitle="", table=Table("", (), ()), method="share")
        head = f'<figcaption id="{figure.identifier}-title">{figure.title}</figcaption>'
        return Markup(f"<figure>{head}{figure.drawing}</figure>")  # noqa: S704 - our own drawing


def gallery(components: Mapping[str, Component] = COMPONENTS) -> str:
    """The page's HTML."""
    figures = GalleryFigures()
    shown = tuple(
        ShownComponent(
            name,
            tuple(ShownCase(case, _html(make(figures), figures)) for case, make in component.cases.items()),
            component.without,
        )
        for name, component in components.items()
    )
    navigation = tuple(NavigationEntry(name, f"#{name}") for name in components)
    setting = Setting(navigation, Anywhere(), "Invented throughout.")
    template: Any = _environment().from_string(TEMPLATE.read_text(encoding="utf-8"))
    return render(template, Context(shown), chain_name="", setting=setting, here="index.html")


def _html(thing: Any, figures: GalleryFigures) -> Markup:
    """What a case gave, as pages lay it out."""
    parts = parts_module()
    match thing:
        case None | "" | () | []:
            return Markup("<p><em>nothing</em></p>")
        case Markup():
            return thing
        case str() | Cell():
            return Markup("<p>{}</p>").format(parts.cell(thing))
        case Table():
            return Markup(parts.table(thing))  # noqa: S704 - what a template made
        case Figure():
            return Markup(parts.figure(thing))  # noqa: S704
        case Incident():
            return Markup(parts.incident(thing))  # noqa: S704
        case tuple() | list():
            return Markup("\n").join(_html(part, figures) for part in thing)
        case _:
            return figures.bare(thing)


if __name__ == "__main__":
    folder = Path(sys.argv[1])
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "index.html").write_text(gallery(), encoding="utf-8")
    sys.stdout.write(f"{folder / 'index.html'}\n")
