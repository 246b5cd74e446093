"""signals.csv (methods M7)."""

from datetime import date
from hashlib import sha256

from .exposures import Found
from .intervals import ratio_with_limits
from .words import Row


def signals(as_of: date, charts: list[Row], found: list[Found]) -> list[Row]:
    """Give a signal for each chart point that rises beyond its limit and each slice that stands out, on a new store."""
    rows = [chart_signal(as_of, point) for point in charts if point["signal"]]
    return rows + [slice_signal(as_of, one) for one in found if one.signal]


def chart_signal(as_of: date, point: Row) -> Row:
    is_p_chart = point["chart"].startswith("p:")
    method = "p chart" if is_p_chart else "piercings per five infections"
    p0 = point["centre"] if is_p_chart else 5 / point["centre"]
    started_on: date = point["from_on"]
    return {
        "signal_id": signal_id(method, point, started_on.isoformat()),
        "raised_on": as_of,
        "complication": point["complication"],
        "dimension": point["dimension"],
        "level": point["level"],
        "method": method,
        "started_on": started_on,
        **counts(point["observed"], point["n"] * p0),
        "statistic": point["statistic"],
        "threshold": point["upper"] if is_p_chart else point["lower"],
        "state": "new",
    }


def slice_signal(as_of: date, found: Found) -> Row:
    dimension, level = found.slice.level
    names = {"complication": found.complication, "dimension": dimension, "level": level}
    return {
        "signal_id": signal_id("funnel", names, ""),
        "raised_on": as_of,
        **names,
        "method": "funnel",
        "started_on": found.slice.first_on,
        **counts(found.slice.observed, found.slice.expected),
        "statistic": found.slice.observed,
        "threshold": found.limit_high,
        "state": "new",
    }


def signal_id(method: str, names: Row, started_on: str) -> str:
    text = "|".join((method, names["complication"], names["dimension"], names["level"], started_on))
    return "S-" + sha256(text.encode()).hexdigest()[:10]


def counts(observed: int, expected: float) -> Row:
    ratio, low, high = ratio_with_limits(observed, expected) if expected >= 1 else (None, None, None)
    return {"observed": observed, "expected": expected, "ratio": ratio, "ratio_low": low, "ratio_high": high}
