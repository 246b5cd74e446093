"""A component and its cases, the edges that every component is asked about, and what many cases are made of."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import partial
from math import sin
from typing import Any

from reports.parts import Figures

NO_DATA, ONE, MANY = "no data", "one branch", "1,000 branches"
NO_EVENT, ALL_EVENTS, PROVISIONAL = "no event", "all events", "a provisional baseline"
EDGES = (NO_DATA, ONE, MANY, NO_EVENT, ALL_EVENTS, PROVISIONAL)
"""Edges of the data of which every component has a case, or a reason why not."""

LONG = "The-Corner-of-the-Upper-Market-Hall-and-the-Old-Harbour-Road-beside-the-Bridge-on-the-Second-Floor"
HEBREW = "סניף השוק העליון 12"
ARABIC = "فرع السوق القديم"

NO_BASELINE = "holds nothing against a baseline"
NOT_OF_NOTHING = "sections draw it of at least one row; without any they say so, or leave it out"
WHOLE_CHAIN = "tells of the whole chain, however many branches it has"
ONE_SLICE = "tells of the whole chain or of one branch, which look alike"

Case = Callable[[Figures], Any]
"""Gives what a case shows: a chart, or what a section or macro gives, its figures drawn by those handed in."""


@dataclass(frozen=True)
class Component:
    """A component: its cases by their names, and for the edges that none of them is at, why not."""

    cases: Mapping[str, Case]
    without: Mapping[str, str] = field(default_factory=dict)


def drawn(make: Callable[[Figures, Any], Any], cases: Mapping[str, Any]) -> dict[str, Case]:
    """Cases of a function of figures and one argument, by that argument."""
    return {name: partial(_call, make, value) for name, value in cases.items()}


def named(make: Callable[[Any], Any], cases: Mapping[str, Any]) -> dict[str, Case]:
    """Cases of a function of one argument, which draws nothing itself."""
    return drawn(lambda _, value: make(value), cases)


def _call(make: Callable[[Figures, Any], Any], value: Any, figures: Figures) -> Any:
    return make(figures, value)


GAPS = (0, 1, 2, 5, 6, 13, 14, 25)
"""Weeks back of which something is known, with holes between."""


def wave(n: int, middle: float, swing: float) -> list[float]:
    """Numbers that go up and down around a middle."""
    return [middle + swing * sin(at * 1.7) for at in range(n)]


def ids(n: int) -> list[str]:
    """Ids of branches."""
    return [f"B{at:0{len(str(n))}}" for at in range(1, n + 1)]
