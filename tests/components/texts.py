"""What cases show, as text that reads well in a diff.

A chart is its specification without the theme: each layer's mark, what is left out of its rows, its channels, and its
rows; numbers have four digits. A section is the words, cells and files of its tables, each figure with its layers and
how many rows each has. A macro is its HTML. Of more rows than `MOST` the first and last stand here, with the sums of
all. Typographic spaces are as on the page.
"""

import json
from collections.abc import Sequence
from typing import Any

from markupsafe import Markup

from pages.specs import Spec, mark_of, rows_of, units
from reports.charts import drawing
from reports.charts.drawing import Drawable
from reports.parts import Cell, Figure, Figures, Table
from reports.sections.incidents import Incident

from .component import Case, Component

MOST, FIRST, LAST = 12, 5, 3
"""Rows that stand here at most, and of more than these so many first and last ones."""
COLOURS = {getattr(drawing, name): name.lower() for name in ("INK", "QUIET", "LINE", "ACCENT", "SOFT", "MARK", "BAND")}
NOTHING = "nothing"


class Undrawn(Figures):
    """Figures whose drawing is left out, as it takes long: what would be drawn stands in its place."""

    def draw(self, chart: Drawable, *, title: str, subtitle: str, table: Table, method: str) -> Figure:
        """A figure from a chart."""
        layers = (
            f"{mark_of(unit)} {len(rows_of(spec, unit))}" for spec in (_specification(chart),) for unit in units(spec)
        )
        drawing = f"[drawn: {', '.join(layers)}]"
        return Figure(f"figure{next(self._numbers)}", title, subtitle, drawing, table, method)


def written(component: Component) -> str:
    """A component's cases as one text."""
    parts = [f"== {name}\n\n{shown(case)}\n" for name, case in component.cases.items()]
    parts += [f"-- no case of {edge}: {reason}\n" for edge, reason in component.without.items()]
    return "\n".join(parts)


def shown(case: Case) -> str:
    """What a case shows."""
    return "\n".join(_lines(case(Undrawn())))


def _lines(thing: Any) -> list[str]:
    """What a section, macro or chart gave, in lines."""
    match thing:
        case None | "" | () | []:
            return [NOTHING]
        case Markup():
            return _cut(str(thing).split("\n"))
        case str() | Cell():
            return [_cell(thing)]
        case Table():
            return _table(thing)
        case Figure():
            return [thing.title, thing.subtitle, f"{thing.drawing} -> {thing.method}", *_table(thing.table)]
        case Incident():
            parts = (
                *thing.lines,
                *([thing.figure] if thing.figure else ()),
                *([thing.explanations] if thing.explanations else ()),
                thing.detail,
            )
            return [f"{thing.title} #{thing.identifier}", *(line for part in parts for line in _lines(part))]
        case tuple() | list():
            return [line for part in thing for line in _lines(part)]
        case _:
            return _chart(_specification(thing))


def _cell(cell: Cell | str) -> str:
    if isinstance(cell, str):
        return cell
    note, link = f" ({cell.note})" if cell.note else "", f" -> {cell.link}" if cell.link else ""
    return f"{'▲ ' if cell.is_marked else ''}{cell.text}{note}{link}"


def _table(table: Table) -> list[str]:
    rows = [" | ".join(map(_cell, row)) for row in table.shown]
    left_out = f", {table.left_out} more in the file" if table.left_out else ""
    words = f"{table.n_text} of text{', ends in words' if table.ends_in_words else ''}"
    files = " and ".join(name for name in (table.source, table.also) if name) or "no file"
    return [
        f"{table.caption} [{words}; {files}{left_out}]",
        "  " + " | ".join(table.heads),
        *(f"  {row}" for row in _cut(rows)),
        *(f"  $ {command}" for command in table.receipts),
    ]


def _cut(rows: Sequence[str], sums: str = "") -> list[str]:
    if len(rows) <= MOST:
        return list(rows)
    return [*rows[:FIRST], f"… {len(rows) - FIRST - LAST:,} more{sums}", *rows[-LAST:]]


def _specification(chart: Drawable) -> Spec:
    spec: Spec = json.loads(chart.to_json(validate=False))
    return spec


def _chart(spec: Spec) -> list[str]:
    """A chart's size, then its layers; rows that several layers share stand once."""
    lines = [_plain({name: spec[name] for name in ("width", "height", "padding") if name in spec})]
    known: list[list[dict[str, Any]]] = []
    channels: dict[str, str] = {}
    for unit in units(spec):
        rows = rows_of(spec, unit)
        is_new = rows not in known
        if is_new:
            known.append(rows)
        lines.append(f"{_plain(unit['mark'])} of rows {known.index(rows) + 1}")
        lines += [f"  where {_plain(one)}" for one in unit.get("transform", ())]
        for name, channel in unit["encoding"].items():
            text = _plain(channel)
            lines.append(f"  {name} {'as above' if channels.get(name) == text else text}")
            channels[name] = text
        lines += _rows(rows, known.index(rows) + 1) if is_new else []
    return lines


def _rows(rows: list[dict[str, Any]], number: int) -> list[str]:
    if not rows:
        return [f"  rows {number}: none"]
    names = list(rows[0])
    numeric = [name for name in names if all(isinstance(row[name], int | float | None) for row in rows)]
    sums = ", ".join(f"{name} {_number(sum(row[name] or 0 for row in rows))}" for name in numeric)
    lines = [" | ".join(_plain(row[name]) for name in names) for row in rows]
    return [f"  rows {number}: {' | '.join(names)}", *(f"    {line}" for line in _cut(lines, f"; sums of all: {sums}"))]


def _plain(value: Any) -> str:
    """A part of a specification on one line: keys without quotation marks, numbers rounded, colours by their roles."""
    match value:
        case dict():
            return "{" + ", ".join(f"{name}: {_plain(one)}" for name, one in value.items()) + "}"
        case list():
            return f"[{', '.join(map(_plain, value))}]"
        case bool() | None:
            return {True: "yes", False: "no", None: "–"}[value]
        case int() | float():
            return _number(value)
        case _:
            return COLOURS.get(value, str(value).replace("\n", "\\n"))


def _number(value: float) -> str:
    return f"{value:.4g}"
