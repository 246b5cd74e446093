"""How charts look and how they become inline SVG: one theme, colours that follow the page's scheme, no script."""

import json
import re
from functools import lru_cache
from typing import Any, TypeAlias

import altair as alt
import polars as pl
import vl_convert

from reports.charts.axis_locale import axis_locale
from reports.locales import in_force

Drawable: TypeAlias = alt.Chart | alt.LayerChart | alt.FacetChart

WIDTH, HEIGHT = 440, 220
"""Of a chart's plot, in pixels: legible at a phone's width without a second drawing."""
FONT = "system-ui, sans-serif"

INK, QUIET, LINE, ACCENT, SOFT, MARK, BAND = (f"#a0b0c{digit}" for digit in "1234567")
"""Stand-ins that become the page's own colours, since the drawing library takes none that follow a scheme."""
_VARIABLES = {INK: "ink", QUIET: "quiet", LINE: "line", ACCENT: "accent", SOFT: "soft", MARK: "mark", BAND: "band"}
_FINER = re.compile(r"(\.\d\d)\d+")
"""Decimals of pixels beyond the second, which nobody sees."""
_ID = re.compile(r'(\bid="|url\(#)([^")]*)')
_DRAWINGS_KEPT = 200
"""Pages show some charts more than once; those of very many branches would fill the memory."""
_SHAPES_KEPT = 50

alt.utils.schemapi.disable_debug_mode()
"""To check each part of a chart as it is made takes a tenth of the time; the tests check specifications whole."""


@alt.theme.register("scapha", enable=True)
def theme() -> alt.theme.ThemeConfig:
    """The one look of all charts."""
    axis: alt.theme.AxisConfigKwds = {
        "domainColor": LINE,
        "tickColor": LINE,
        "gridColor": LINE,
        "labelColor": QUIET,
        "titleColor": QUIET,
        "labelFont": FONT,
        "titleFont": FONT,
        "labelFontSize": 13,
        "titleFontSize": 13,
        "titleFontWeight": "normal",
        "titlePadding": 8,
    }
    return {
        "config": {
            "background": "transparent",
            "view": {"stroke": None, "continuousWidth": WIDTH, "continuousHeight": HEIGHT},
            "axis": axis,
            "axisX": {"grid": False, "labelFlush": True},
            "text": {"font": FONT, "fontSize": 13, "color": INK},
        }
    }


def values(frame: pl.DataFrame) -> alt.InlineData:
    """A frame as a chart's data: days as ISO text.

    It goes as one text of JSON, since the library copies and checks rows one by one, often.
    """
    text = frame.with_columns(pl.col(pl.Date).cast(pl.String)).write_json()
    return alt.InlineData(values=text, format=alt.JsonDataFormat(type="json"))


def with_week_ends(weeks: pl.DataFrame) -> pl.DataFrame:
    """Weeks with the day after each, `week_end`, so that a bar is as wide as its week."""
    return weeks.with_columns((pl.col("week") + pl.duration(days=6)).alias("week_end"))


def svg(chart: Drawable, identifier: str) -> str:
    """A chart as an inline SVG element labelled by `<identifier>-title`; its ids begin with the identifier.

    Its axes are written in the locale in force.
    """
    specification = chart.to_dict(validate=False)
    data: dict[str, str] = specification.pop("datasets", {})
    shape = json.dumps(specification)
    for place, name in enumerate(data):
        shape = shape.replace(f'"{name}"', f'"rows{place}"')
    return _label(_draw(shape, tuple(data.values()), in_force()), identifier)


@lru_cache(maxsize=_DRAWINGS_KEPT)
def _draw(shape: str, data: tuple[str, ...], locale: str) -> str:
    """A chart's SVG from its specification, in which its data are called rows0, rows1, and so on, and from these."""
    compiled = _compiled(shape)
    values = {f"rows{place}": {"values": rows} for place, rows in enumerate(data)}
    filled = compiled | {"data": [source | values.get(source["name"], {}) for source in compiled["data"]]}
    return str(vl_convert.vega_to_svg(filled, **axis_locale(locale)))


@lru_cache(maxsize=_SHAPES_KEPT)
def _compiled(shape: str) -> dict[str, Any]:
    """What the drawing library compiles a specification to: once for all charts that differ by their data alone."""
    return dict(vl_convert.vegalite_to_vega(shape))


def _label(text: str, identifier: str) -> str:
    """Colours as the page's variables, ids prefixed, inner roles taken out: the figure's table tells the points."""
    known: dict[str, str] = {}
    # Tags alone: names stay as they are.
    text = re.sub(r"<[^>]*>", lambda tag: _restyle(tag[0], identifier, known), text)
    text = text.replace(' xmlns:xlink="http://www.w3.org/1999/xlink" version="1.1"', "", 1)
    text = text.replace(' xmlns="http://www.w3.org/2000/svg"', "", 1)
    return text.replace("<svg", f'<svg role="img" aria-labelledby="{identifier}-title"', 1)


def _restyle(tag: str, identifier: str, known: dict[str, str]) -> str:
    """A tag as it stands on a page; `known` are the ids met in the drawing, by those that the library counted on."""
    tag = _FINER.sub(r"\1", re.sub(r' (role|aria-[a-z]+|class|pointer-events)="[^"]*"', "", tag))
    for stand_in, name in _VARIABLES.items():
        tag = tag.replace(stand_in, f"var(--{name})")
    return _ID.sub(lambda found: f"{found[1]}{identifier}-{_numbered(found[2], known)}", tag)


def _numbered(name: str, known: dict[str, str]) -> str:
    """An id of a drawing, numbered within it: the library counts on from one drawing to the next."""
    return known.setdefault(name, f"{name.rstrip('0123456789')}{len(known) + 1}")
