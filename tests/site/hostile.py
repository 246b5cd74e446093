"""A chain whose every text is written to break a page, a table or a drawing."""

from datetime import date, datetime, timedelta
from pathlib import Path

import pytest

from pipeline.settings import Settings
from support.editions import Published, publish, shared
from support.exports import Row, csv_text, fill, row

SCRIPT = "<script>alert(1)</script>"
IMAGE = '"><img src=x onerror=alert(1)>'
QUOTE = "' onmouseover='alert(1)' x='"
TEMPLATE = "{{7*7}}{% raw %}"
STYLE = "</style><script>alert(1)</script>"
COMMENT = "--><script>alert(1)</script><!--"
ENTITY = "&lt;script&gt;&amp;&quot;"
RIGHT_TO_LEFT = "\u05e9\u05dc\u05d5\u05dd \u202e\u0645\u0631\u062d\u0628\u0627"
LONG = "W" * 180
ADDRESS = "javascript:alert(1)"
CANARY = "Quillfeather 07700900461"
"""What no page may tell: a client's key, the content of an undeclared column, a value that is refused."""
FORMULAS = ("=1+1", "+1", "-1", "@SUM(A1)")

IDS = (SCRIPT, IMAGE, QUOTE, TEMPLATE, STYLE, COMMENT, ENTITY, RIGHT_TO_LEFT, LONG)
"""Texts an id may be: no colon, no control character, at most 200 characters."""
TEXTS = (*IDS, ADDRESS)

LAST_DAY = date(2031, 2, 16)
N_DAYS = 430
"""Enough that rates are told: the window, the days for late reports, and the period."""


def hostile_night(factory: pytest.TempPathFactory) -> Published:
    """The night over the chain's exports."""

    def make(folder: Path) -> Published:
        fill(folder / "inbox", _exports())
        now = datetime(2031, 2, 17, 3, 0)
        return publish(folder / "inbox", folder, now=now, settings=Settings(chain_name=STYLE + IMAGE))

    return shared(factory, "hostile", make)


def _exports() -> dict[str, str]:
    piercings: list[Row] = []
    told: list[Row] = []
    sales: list[Row] = []
    for at in range(N_DAYS * len(IDS)):
        day = LAST_DAY - timedelta(days=at % N_DAYS)
        branch, article, lot, practitioner, batch = (IDS[at // step % len(IDS)] for step in (1, 7, 11, 13, 17))
        visit, procedure = f"{branch}v{at}", f"{article}p{at}"
        piercings.append(
            row(
                "procedures",
                procedure_id=procedure,
                visit_id=visit,
                branch_id=branch,
                performed_at=f"{day}T11:00",
                practitioner_id=practitioner,
                client_key=CANARY,
                article_id=article,
                lot_no=lot,
                age_years="30",
            )
        )
        causes = (article == IMAGE, lot == SCRIPT, practitioner == QUOTE, batch == STYLE, at % 50 == 4)
        if causes[at % 5]:
            told.append(_told(len(told), visit, procedure, day + timedelta(days=4)))
        sales.append(
            row(
                "sales",
                sale_id=f"{branch}s{at}",
                visit_id=visit,
                branch_id=branch,
                sold_at=f"{day}T11:30",
                product_id=article,
                batch_no=batch,
                currency=(SCRIPT, IMAGE)[at % 2],
            )
        )
    return {
        "branches.csv": csv_text(_branches()),
        "practitioners.csv": csv_text(row("practitioners", practitioner_id=name, home_branch_id=name) for name in IDS),
        "articles.csv": csv_text(
            row("articles", article_id=name, clasp=text, nickel_release=text)
            for name, text in zip(IDS, reversed(IDS), strict=True)
        ),
        "lots.csv": csv_text(row("lots", lot_no=name, branch_id="", recall_status=name) for name in IDS),
        "products.csv": csv_text(row("products", product_id=name) for name in IDS),
        "procedures.csv": csv_text(piercings),
        "follow_ups.csv": csv_text(told),
        "sales.csv": csv_text(sales),
        **_refused(),
    }


def _branches() -> list[Row]:
    named = [
        row("branches", branch_id=name, name=text, region=text, premises=text)
        for name, text in zip(IDS, (*reversed(TEXTS[1:]),), strict=True)
    ]
    return named + [row("branches", branch_id=name, name=name) for name in FORMULAS]


def _told(number: int, visit: str, procedure: str, day: date) -> Row:
    return row(
        "follow_ups", follow_up_id=f"{SCRIPT}{number}", visit_id=visit, procedure_id=procedure,
        contacted_at=f"{min(day, LAST_DAY)}T09:00", outcome="complication", complication="minor_infection",
        channel="phone",
    )  # fmt: skip


def _refused() -> dict[str, str]:
    """Files whose names and undeclared columns are hostile too, and in which every row is refused."""
    names = ("<script>alert(1)<", IMAGE, QUOTE, TEMPLATE, RIGHT_TO_LEFT, ADDRESS, "W" * 150)
    files = {
        f"sales_{name}.csv": csv_text([row("sales", quantity=CANARY, **{TEXTS[at]: CANARY, f"{ADDRESS}{at}": CANARY})])
        for at, name in enumerate(names)
    }
    return files | {f"revisits_{name}.csv": "" for name in names}
