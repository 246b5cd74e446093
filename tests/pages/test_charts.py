"""Charts as specifications: what is drawn of how little, of nothing, of all, and by which marks."""

from collections.abc import Callable
from datetime import date, timedelta
from math import isfinite
from typing import Any
from xml.etree import ElementTree

import polars as pl
import pytest

from reports.charts.branch_funnel import branch_funnel
from reports.charts.control_chart import _MARKS, control_chart
from reports.charts.drawing import Drawable, svg
from reports.charts.interval_dots import interval_dots
from reports.charts.observed_expected import observed_expected
from reports.charts.onset_curves import onset_curves
from reports.charts.predicted_observed import predicted_observed
from reports.charts.share_lines import share_lines
from reports.charts.weekly_bars import weekly_bars

from .specs import Spec, fields_of, mark_of, marks, rows_of, units

WEEKS = [date(2031, 1, 6) + timedelta(weeks=at) for at in range(6)]


def bars(counts: list[float]) -> Drawable:
    frame = pl.DataFrame(
        {"week": WEEKS[: len(counts)], "value": counts, "is_told": [at == 0 for at in range(len(counts))]},
        schema={"week": pl.Date, "value": pl.Float64, "is_told": pl.Boolean},
    )
    return weekly_bars(frame, unit="visits")


def lines(shares: list[float]) -> Drawable:
    rows = [
        (monday, series, share)
        for series in ("bought, given or bundled", "bought")
        for monday, share in zip(WEEKS, shares, strict=False)
    ]
    return share_lines(
        pl.DataFrame(rows, schema={"week": pl.Date, "series": pl.String, "share": pl.Float64}, orient="row")
    )


def infections(counts: list[float]) -> Drawable:
    n = len(counts)
    frame = pl.DataFrame(
        {"week": WEEKS[:n], "observed": counts, "expected": [1.5] * n, "solid": [at < 3 for at in range(n)]},
        schema={"week": pl.Date, "observed": pl.Float64, "expected": pl.Float64, "solid": pl.Boolean},
    )
    return observed_expected(frame)


def completed(counts: list[float]) -> Drawable:
    n = len(counts)
    frame = pl.DataFrame(
        {"week": WEEKS[:n], "observed": counts, "expected": [1.5] * n, "solid": [True] * n},
        schema={"week": pl.Date, "observed": pl.Float64, "expected": pl.Float64, "solid": pl.Boolean},
    )
    rest = (pl.col("observed") + step for step in (1, 0, 4))
    final = frame.with_columns(
        value.alias(name) for name, value in zip(("expected_final", "low", "high"), rest, strict=True)
    )
    return observed_expected(frame, final)


def risks(shares: list[float]) -> Drawable:
    frame = pl.DataFrame({"predicted": shares, "share": shares})
    return predicted_observed(
        frame.with_columns((pl.col("share") * 0.9).alias("low"), (pl.col("share") + 0.1).alias("high"))
    )


def points(statistics: list[float], *, is_share: bool) -> Drawable:
    limits = (0.01, 0.06) if is_share else (40.0, 400.0)
    n = len(statistics)
    frame = pl.DataFrame(
        {
            "day": WEEKS[:n], "statistic": statistics, "centre": [sum(limits) / 2] * n,
            "lower": [limits[0]] * n, "upper": [limits[1]] * n,
            "beyond": ["above" if value > limits[1] else None for value in statistics],
            "rule": ["beyond a limit" if value > limits[1] else None for value in statistics],
            "mature": [at < 4 for at in range(n)], "in_baseline": [at < 1 for at in range(n)],
            "phase": [1 if at < 2 else 2 for at in range(n)],
            "phase_from": [WEEKS[0] if at < 2 else WEEKS[2] for at in range(n)],
        },
        schema={
            "day": pl.Date, "statistic": pl.Float64, "centre": pl.Float64, "lower": pl.Float64, "upper": pl.Float64,
            "beyond": pl.String, "rule": pl.String, "mature": pl.Boolean, "in_baseline": pl.Boolean, "phase": pl.Int64,
            "phase_from": pl.Date,
        },
    )  # fmt: skip
    return control_chart(frame, unit="share infected", is_share=is_share)


def dots(rates: list[float]) -> Drawable:
    frame = pl.DataFrame(
        {
            "name": [f"level {at}" for at in range(len(rates))],
            "rate": rates,
            "low": [rate * 0.9 for rate in rates],
            "high": [min(1.0, rate + 0.1) for rate in rates],
        },
        schema={"name": pl.String, "rate": pl.Float64, "low": pl.Float64, "high": pl.Float64},
    )
    return interval_dots(frame, unit="share")


LIMITS = pl.DataFrame(
    [(expected, 1 + step, "95 %", side) for expected in (1.0, 60.0) for side, step in (("low", -0.5), ("high", 0.5))],
    schema=["expected", "ratio", "limit", "side"],
    orient="row",
)


NAMED = pl.lit(value=True).alias("is_named")


def funnel(ratios: list[float]) -> Drawable:
    n = len(ratios)
    frame = pl.DataFrame(
        {
            "branch_id": [f"B{at}" for at in range(n)],
            "expected": [1.0 + 10 * at for at in range(n)],
            "ratio": ratios,
            "comparable": [at % 2 == 0 for at in range(n)],
        },
        schema={"branch_id": pl.String, "expected": pl.Float64, "ratio": pl.Float64, "comparable": pl.Boolean},
    )
    return branch_funnel(frame.with_columns(NAMED), LIMITS)


def onsets(shares: list[float]) -> Drawable:
    rows = [
        (series, day, share, share * 0.9, min(1.0, share + 0.1))
        for series in ("infection", "contact allergy")
        for day, share in enumerate(sorted(shares))
    ]
    names = ("series", "day", "share", "low", "high")
    types = (pl.String, pl.Int64, pl.Float64, pl.Float64, pl.Float64)
    return onset_curves(pl.DataFrame(rows, schema=dict(zip(names, types, strict=True)), orient="row"), last_day=90)


def shares_chart(values: list[float]) -> Drawable:
    return points(values, is_share=True)


def runs_chart(values: list[float]) -> Drawable:
    return points([1 + 100 * value for value in values], is_share=False)


Maker = Callable[[list[float]], Drawable]
CHARTS: list[Maker] = [bars, lines, infections, completed, shares_chart, runs_chart, dots, funnel, onsets, risks]
EDGES = {"one point": [0.4], "all nought": [0.0] * 6, "all events": [1.0] * 6, "some": [0.0, 0.2, 0.5, 0.9, 1.0, 0.02]}
DRAWN_OF_NOTHING: list[Maker] = [bars, lines, infections, completed, shares_chart]
"""Funnels, charts of runs and dots are never asked for without a point: their scales and room come from the points."""


def leaves_of(tree: object) -> list[object]:
    """Every leaf of a specification."""
    if isinstance(tree, dict):
        return [leaf for part in tree.values() for leaf in leaves_of(part)]
    if isinstance(tree, list):
        return [leaf for part in tree for leaf in leaves_of(part)]
    return [tree]


@pytest.mark.parametrize("edge", EDGES)
@pytest.mark.parametrize("chart", CHARTS)
def test_a_chart_of_little_or_of_extremes_is_a_valid_specification(chart: Maker, edge: str) -> None:
    spec = chart(EDGES[edge]).to_dict()
    assert [leaf for leaf in leaves_of(spec) if isinstance(leaf, float) and not isfinite(leaf)] == []
    assert all(fields_of(unit) - {"week_end"} <= set(row) for unit in units(spec) for row in rows_of(spec, unit))


@pytest.mark.parametrize("chart", DRAWN_OF_NOTHING)
def test_a_chart_of_nothing_is_a_valid_specification(chart: Maker) -> None:
    spec = chart([]).to_dict()
    assert all(rows_of(spec, unit) == [] for unit in units(spec))


@pytest.mark.parametrize("edge", ["one point", "all nought"])
@pytest.mark.parametrize("chart", CHARTS)
def test_a_chart_of_little_is_drawn(chart: Maker, edge: str) -> None:
    drawing = svg(chart(EDGES[edge]), "figure1")
    root = ElementTree.fromstring(drawing)  # noqa: S314 - our own drawing
    assert root.attrib["aria-labelledby"] == "figure1-title"
    assert "NaN" not in drawing
    assert "Infinity" not in drawing


@pytest.mark.parametrize("chart", [lines, shares_chart, dots, funnel, onsets, risks])
def test_shares_and_ratios_begin_at_nought(chart: Maker) -> None:
    scales = [
        channel.get("scale", {})
        for unit in units(chart(EDGES["some"]).to_dict())
        for name, channel in unit["encoding"].items()
        if name in ("x", "y") and channel.get("type") == "quantitative" and "scale" in channel
    ]
    assert scales
    assert all(scale.get("domainMin", scale.get("domain", [None])[0]) == 0 for scale in scales)


@pytest.mark.parametrize("chart", [bars, infections])
def test_bars_begin_at_nought(chart: Maker) -> None:
    (drawn,) = marks(chart(EDGES["some"]).to_dict(), "bar")
    assert drawn["encoding"]["y2"] == {"datum": 0}
    assert drawn["encoding"]["y"]["scale"]["domainMin"] == 0


def spec_of(chart: Drawable) -> Spec:
    spec: dict[str, Any] = chart.to_dict()
    return spec


def test_points_beyond_a_limit_differ_in_shape_as_well_as_colour() -> None:
    beyond, fired, plain, baseline, young = _MARKS.values()
    assert (beyond["shape"], fired["shape"]) == ("diamond", "square")
    assert {mark.get("shape") for mark in (plain, baseline, young)} == {None}
    assert plain["color"] != beyond["color"]
    assert plain["size"] < fired["size"] < beyond["size"]
    assert [mark["filled"] for mark in (plain, baseline, young)] == [True, True, False]


def test_every_point_of_a_control_chart_has_a_look_that_is_drawn() -> None:
    spec = spec_of(shares_chart([0.03, 0.03, 0.07, 0.03, 0.03]))
    looks = [row["look"] for row in rows_of(spec, marks(spec, "point")[0])]
    assert looks == ["baseline", "plain", "beyond", "plain", "young"]
    drawn = {mark["transform"][0]["filter"]: mark["mark"] for mark in marks(spec, "point")}
    assert drawn == {
        f"datum.look == '{look}'": {"type": "point", "opacity": 1, **_MARKS[look]}
        for look in ("beyond", "plain", "baseline", "young")
    }


def test_a_line_stands_where_a_further_phase_begins() -> None:
    (begins,) = marks(spec_of(shares_chart([0.03] * 4)), "rule")
    assert rows_of(spec_of(shares_chart([0.03] * 4)), begins) == [{"phase_from": WEEKS[2].isoformat()}]
    assert marks(spec_of(shares_chart([0.03] * 2)), "rule") == []


def test_control_limits_step_and_centre_is_drawn() -> None:
    spec = spec_of(shares_chart([0.03, 0.07]))
    (band,) = marks(spec, "area")
    assert band["mark"]["interpolate"] == "step"
    drawn = [(next(iter(fields_of(unit) - {"day"})), unit["mark"].get("interpolate")) for unit in marks(spec, "line")]
    assert drawn == [("lower", "step"), ("upper", "step"), ("centre", "step"), ("statistic", None)]


def test_runs_stand_on_a_logarithmic_scale_that_holds_limits_and_points() -> None:
    (band,) = marks(spec_of(runs_chart([0.0, 9.0])), "area")
    scale = band["encoding"]["y"]["scale"]
    assert "domain" not in scale  # then it is that of all layers' rows
    assert scale["type"] == "log"
    assert scale["padding"] > 0


def test_weeks_still_filling_in_are_hollow_and_dashed() -> None:
    (drawn,) = marks(spec_of(infections([1, 2, 3, 4, 5, 6])), "bar")
    for channel, young in (("fill", "transparent"), ("strokeDash", [3, 2])):
        assert drawn["encoding"][channel]["condition"]["test"] == "datum.solid"
        assert drawn["encoding"][channel]["value"] == young


def test_lines_differ_in_dashes_as_well_as_colour() -> None:
    (drawn,) = marks(spec_of(lines([0.1, 0.2])), "line")
    for channel in ("color", "strokeDash"):
        scale = drawn["encoding"][channel]["scale"]
        assert scale["domain"] == ["bought, given or bundled", "bought"]
        assert len({str(value) for value in scale["range"]}) == 2


def test_the_week_told_of_stands_out() -> None:
    (drawn,) = marks(spec_of(bars([3, 4])), "bar")
    assert drawn["encoding"]["color"]["condition"]["test"] == "datum.is_told"
    assert drawn["encoding"]["color"]["condition"]["value"] != drawn["encoding"]["color"]["value"]


def test_a_bar_is_as_wide_as_its_week() -> None:
    spec = spec_of(bars([3, 4]))
    (drawn,) = marks(spec, "bar")
    for row in rows_of(spec, drawn):
        assert date.fromisoformat(row["week_end"]) - date.fromisoformat(row["week"]) == timedelta(days=6)


def test_the_funnel_draws_its_limits_and_what_was_expected() -> None:
    spec = spec_of(funnel([0.5, 1.5, 9.0]))
    (limits,), (target,) = marks(spec, "line"), marks(spec, "rule")
    assert rows_of(spec, limits) == LIMITS.to_dicts()
    assert rows_of(spec, target) == [{"ratio": 1.0}]


def test_the_funnel_holds_every_point() -> None:
    spec = spec_of(funnel([0.5, 9.0]))
    (limits,) = marks(spec, "line")
    assert limits["encoding"]["y"]["scale"]["domain"][1] >= 9
    assert limits["encoding"]["x"]["scale"]["domain"][1] >= 11


def test_dots_stand_in_the_order_given_each_with_its_whiskers() -> None:
    spec = spec_of(dots([0.5, 0.1]))
    assert {mark_of(unit) for unit in units(spec)} == {"rule", "point"}
    for unit in units(spec):
        assert unit["encoding"]["y"]["sort"] is None
        assert [row["name"] for row in rows_of(spec, unit)] == ["level 0", "level 1"]
    (whiskers,) = marks(spec, "rule")
    assert (whiskers["encoding"]["x"]["field"], whiskers["encoding"]["x2"]["field"]) == ("low", "high")


def test_names_in_a_drawing_are_text() -> None:
    frame = pl.DataFrame({"name": ["<b>&amp;</b>"], "rate": [0.1], "low": [0.05], "high": [0.2]})
    root = ElementTree.fromstring(svg(interval_dots(frame, unit="share"), "figure1"))  # noqa: S314 - our own drawing
    assert "<b>&amp;</b>" in [element.text for element in root.iter("text")]


@pytest.mark.parametrize("name", ['x role="y"', 'q id="z"', 'a class="b"', "url(#c)", "#a0b0c1"])
def test_a_name_like_markup_stays_as_it_is(name: str) -> None:
    frame = pl.DataFrame({"name": [name], "rate": [0.1], "low": [0.05], "high": [0.2]})
    root = ElementTree.fromstring(svg(interval_dots(frame, unit="share"), "figure1"))  # noqa: S314 - our own drawing
    assert name in [element.text for element in root.iter("text")]


def test_a_long_name_does_not_squeeze_the_drawing() -> None:
    frame = pl.DataFrame({"branch_id": ["W" * 180, "B2"], "expected": [30.0, 50.0], "ratio": [1.0, 1.1]})
    root = ElementTree.fromstring(  # noqa: S314 - our own drawing
        svg(branch_funnel(frame.with_columns(NAMED, comparable=True), LIMITS), "figure1")
    )
    assert float(root.attrib["width"]) <= 700


def test_two_drawings_of_a_page_share_no_id() -> None:
    ids = []
    for identifier in ("figure1", "figure2"):
        root = ElementTree.fromstring(svg(funnel([0.5, 1.5]), identifier))  # noqa: S314 - our own drawing
        ids += [element.attrib["id"] for element in root.iter() if "id" in element.attrib]
    assert len(ids) == len(set(ids)) > 0


def test_names_of_curves_that_end_together_stand_apart() -> None:
    names = rows_of(spec := onsets([0.0, 0.2]).to_dict(), *marks(spec, "text"))
    assert sorted(row["share"] for row in names) == [0.2, 0.2]
    lower, higher = sorted(row["label_at"] for row in names)
    assert lower == 0.2
    assert higher > 0.215  # a line of text is about a fifteenth of the plot


def test_a_name_of_two_lines_has_the_room_of_two_lines() -> None:
    def drawn(name: str) -> Spec:
        frame = pl.DataFrame({"name": [f"{at}{name}" for at in range(9)], "rate": 0.1, "low": 0.0, "high": 0.2})
        return interval_dots(frame, unit="share").to_dict()

    one, two = drawn(" titanium, lobe"), drawn(" titanium,\nlobe")
    assert two["height"] > one["height"]
    assert two["width"] > one["width"]
