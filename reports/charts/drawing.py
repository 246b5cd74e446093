"""How charts look and how they become inline SVG: one theme, colours that follow the page's scheme, no script."""

import re
from functools import cache
from typing import TypeAlias

import altair as alt
import polars as pl
import vl_convert

Drawable: TypeAlias = alt.Chart | alt.LayerChart | alt.FacetChart

WIDTH, HEIGHT = 440, 220
"""Of a chart's plot, in pixels: legible at a phone's width without a second drawing."""
FONT = "system-ui, sans-serif"

INK, QUIET, LINE, ACCENT, SOFT, MARK, BAND = (f"#a0b0c{digit}" for digit in "1234567")
"""Stand-ins that become the page's own colours, since the drawing library takes none that follow a scheme."""
_VARIABLES = {INK: "ink", QUIET: "quiet", LINE: "line", ACCENT: "accent", SOFT: "soft", MARK: "mark", BAND: "band"}


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


def day_axis() -> alt.Axis:
    """An axis of days: months, with the year below the first."""
    label = (
        "[timeFormat(datum.value, '%b'), timeFormat(datum.value, '%m') == '01' ? timeFormat(datum.value, '%Y') : '']"
    )
    return alt.Axis(title=None, labelExpr=label, tickCount="month", labelOverlap="greedy", labelSeparation=12)


def svg(chart: Drawable, identifier: str) -> str:
    """A chart as an inline SVG element labelled by `<identifier>-title`; its ids begin with the identifier."""
    return _label(_draw(chart.to_json(validate=False)), identifier)


@cache
def _draw(specification: str) -> str:
    return str(vl_convert.vegalite_to_svg(specification))


def _label(text: str, identifier: str) -> str:
    """Colours as the page's variables, ids prefixed, inner roles taken out: the figure's table tells the points."""
    text = re.sub(r"<[^>]*>", lambda tag: _restyle(tag[0], identifier), text)  # tags alone: names stay as they are
    text = text.replace(' xmlns:xlink="http://www.w3.org/1999/xlink" version="1.1"', "", 1)
    text = text.replace(' xmlns="http://www.w3.org/2000/svg"', "", 1)
    return text.replace("<svg", f'<svg role="img" aria-labelledby="{identifier}-title"', 1)


def _restyle(tag: str, identifier: str) -> str:
    tag = re.sub(r' (role|aria-[a-z]+|class|pointer-events)="[^"]*"', "", tag)
    for stand_in, name in _VARIABLES.items():
        tag = tag.replace(stand_in, f"var(--{name})")
    return re.sub(r"url\(#", f"url(#{identifier}-", re.sub(r'\bid="', f'id="{identifier}-', tag))
