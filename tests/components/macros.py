"""Cases of the macros that pages are laid out with: what they make of parts written by hand."""

from dataclasses import replace
from typing import Any

from reports import words
from reports.pages.safety import Signal
from reports.parts import MOST_ROWS, Cell, Figure, Figures, Table
from reports.sections.incidents import Incident
from reports.to_do import ToDo

from .component import (
    ALL_EVENTS,
    ARABIC,
    EDGES,
    HEBREW,
    LONG,
    MANY,
    NO_DATA,
    ONE,
    Component,
    drawn,
    ids,
    named,
)
from .listed import parts_module
from .other_charts import levels

LAYS_OUT = "lays out what it is given, whatever was counted"
WITHOUT = dict.fromkeys(EDGES, LAYS_OUT)


def laid_out(macro: str, *arguments: Any) -> Any:
    """What a macro makes, as markup."""
    return getattr(parts_module(), macro)(*arguments)


def component(macro: str, cases: dict[str, Any]) -> Component:
    """A macro of one argument."""
    return Component(named(lambda given: laid_out(macro, given), cases), WITHOUT)


CELL = component(
    "cell",
    {
        "text": "12",
        "everything": Cell("4.84", "3.3 to 6.9", "safety.html", is_marked=True),
        "note": Cell("2.0\u00a0%", "12 of 600; 1.2\u00a0to\u00a03.5\u00a0%"),
        "signs of markup": Cell("<b>&\"'", "<i>"),
    },
)

HEADS = ("Branch", "Piercings", "Ratio", "In words")
SMALL = Table(
    "Branches of the chain",
    HEADS,
    (
        ("B1", "1,200", Cell("4.84", "3.3\u00a0to\u00a06.9", is_marked=True), "more than chance explains"),
        (Cell("Corner", "B2", "branch/B2.html"), "0", "–", "too few piercings are old enough to say"),
    ),
    "comparison.csv",
    ends_in_words=True,
    receipts=("scapha explain comparison/branch_id=B1,complication=infection --as-of 2031-02-16",),
)
NAMES = tuple((name, "12", "1.00", f"of {name}") for name in (LONG, HEBREW, ARABIC))

TABLE = component(
    "table",
    {
        NO_DATA: replace(SMALL, rows=(), receipts=()),
        ONE: SMALL,
        MANY: replace(SMALL, rows=tuple((name, "12", "1.00", "") for name in ids(1000))),
        "as many rows as are shown": replace(SMALL, rows=tuple((name, "1", "1", "") for name in ids(MOST_ROWS))),
        "two files": replace(SMALL, also="branches.csv"),
        "no file and no words": replace(SMALL, source="", ends_in_words=False, receipts=()),
        "columns of text, one without a head": replace(SMALL, heads=("", *HEADS[1:]), n_text=3),
        "long and right-to-left names": replace(SMALL, rows=NAMES),
    },
)


def figure(figures: Figures, table: Table) -> Figure:
    """A figure beside a table."""
    chart = levels(("lobe (1,240)", "upper cartilage (310)"), (20, 12), (1240, 310))
    title, subtitle = "Infection by site group", "Piercings in brackets."
    return figures.draw(chart, title=title, subtitle=subtitle, table=table, method="share")


FIGURE = Component(
    drawn(
        lambda figures, table: laid_out("figure", figure(figures, table)),
        {ONE: SMALL, NO_DATA: replace(SMALL, rows=())},
    ),
    WITHOUT,
)

CAUTIONS = component(
    "cautions",
    {
        "as pages have it": (words.CAUTION_SIGNAL, words.CAUTION_RED_FLAGS, words.CAUTION_ADVICE),
        "no line": (),
    },
)

CALL = ToDo("Ask 12 clients how they fare.", "branch/B1.html", "Branches", "today", "3 for medical care today.")

TO_DO = component(
    "to_do",
    {
        NO_DATA: (),
        ONE: (CALL,),
        MANY: tuple(ToDo(f"Ask branch {name} for its exports.", "intake.html", "Owner", "today") for name in ids(1000)),
        "long and right-to-left names": tuple(replace(CALL, text=f"Ask branch {name}.") for name in (LONG, HEBREW)),
    },
)


def incident(figures: Figures, level: str) -> Any:
    """An incident of a branch."""
    told = Incident(
        identifier="I-1",
        title=f"Branch {level}: infection, 4.8 times what was expected",
        lines=("30 of 200 piercings by now.", "Of 200 piercings, 41 are still inside their window and not heard of."),
        figure=figure(figures, SMALL),
        explanations=SMALL,
        detail="Incident I-1, 2 signals, opened on 13 February 2031; nobody has noted anything yet.",
    )
    return laid_out("incident", told)


INCIDENT = Component(drawn(incident, {ONE: "B1", "long name": LONG, "right-to-left name": ARABIC}), WITHOUT)


def cause(rows: tuple[tuple[str, ...], ...]) -> Signal:
    """A cause that stands out, and where it was met."""
    return Signal(
        identifier="F-1",
        title="Lot L1: infection 4.8 times what was expected",
        what="Infection after lot L1: 30 of 200 piercings, where about 6 were expected.",
        sure="The true ratio most likely lies within 3.3 to 6.9 (95 %).",
        detail="Piercings that another cause explains better count there alone; the table has them all.",
        branches=Table("Where lot L1 was met", ("Branch", "Piercings", "Cases"), rows, "cause_branches.csv"),
    )


CAUSE = component(
    "cause",
    {
        NO_DATA: cause(()),
        ONE: cause((("B1", "200", "30"),)),
        MANY: cause(tuple((name, "200", "30") for name in ids(1000))),
        ALL_EVENTS: cause((("B1", "200", "200"),)),
        "long and right-to-left names": cause(tuple((name, "200", "30") for name in (LONG, HEBREW, ARABIC))),
    },
)

MACROS = {
    "cause": CAUSE,
    "cautions": CAUTIONS,
    "cell": CELL,
    "figure": FIGURE,
    "incident": INCIDENT,
    "table": TABLE,
    "to_do": TO_DO,
}
