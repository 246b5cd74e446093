"""The lists of the pipeline and of the second implementation agree, row for row, on small hostile chains."""

from collections import Counter
from collections.abc import Iterator
from datetime import date, timedelta
from itertools import product
from pathlib import Path
from random import Random

import polars as pl
import pytest

from pipeline.count import MEASURES, count
from pipeline.intake.inbox import look_into
from pipeline.intake.load import take_in
from pipeline.judge.calling import Asking, due_calls
from pipeline.judge.packs import judge_packs
from pipeline.judge.tracing import exposed_to, head_counts, judge_stock, line_list
from pipeline.results import RESULT_BY_NAME
from pipeline.settings import Settings as PipelineSettings
from pipeline.store.database import open_store

from . import Settings, Taken, lists, read_inbox
from .chains import NOW, Chain, write_exports
from .comparing import same
from .delivering import Cells, deliver
from .drawing import LAST_DAY
from .known import Known
from .slices import Facts
from .words import Row

KEY = b"a key"
SEEDS = (0, 5)
DAYS_BACK = (20, 45)
Frames = dict[str, pl.DataFrame]

LEVELS = (
    *(("lot", "L-A"), ("lot", "L-BAD"), ("lot", "L-B"), ("lot", "L-NOWHERE"), ("lot", "(missing)")),
    *(("batch", "BT-1"), ("batch", "BT-2"), ("branch", "B01"), ("practitioner:site_group", "P-1:lobe")),
    *(("lot:site_group", "L-A:upper_cartilage"), ("branch:batch", "B02:BT-1"), ("material", "gold"), ("all", "all")),
)


def signal(complication: str, dimension: str, level: str, started: date, raised: date) -> Row:
    told = {"complication": complication, "dimension": dimension, "level": level}
    return told | {"started_on": started, "raised_on": raised}


def signals(as_of: date) -> list[Row]:
    """Give signals of every kind of slice: raised lately, long ago, to come, of the whole chain, of a site alone."""
    long_ago, lately = as_of - timedelta(days=300), as_of - timedelta(days=31)
    return [
        signal("infection", "lot", "L-A", lately, as_of),
        signal("contact_allergy", "article", "K1", long_ago, as_of - timedelta(days=40)),
        signal("infection", "batch", "BT-1", long_ago, as_of - timedelta(days=1)),
        signal("infection", "practitioner:site_group", "P-1:lobe", long_ago, as_of - timedelta(days=10)),
        signal("infection", "site", "lobe", long_ago, as_of),
        signal("infection", "branch", "B02", long_ago, as_of + timedelta(days=1)),
        signal("infection", "all", "all", long_ago, as_of),
    ]


def with_ends_and_stock(rng: Random, tables: dict[str, list[Cells]]) -> dict[str, list[Cells]]:
    """Add what the chains do not have: days on which complications were over, grave ones, and counts of packs."""
    for row in tables["follow_ups"]:
        over_on = LAST_DAY + timedelta(days=rng.choice((-40, -1, 0, 1)))
        row["resolved_on"] = over_on.isoformat() if rng.random() < 0.2 else ""
        row["severity"] = rng.choice(("", "", "1", "2", "3"))
    for row in tables["lots"]:
        row["quantity"] = rng.choice(("100", "30", "30", ""))
    tables["lots"].append({"lot_no": "L-NEW", "received_on": "2031-01-01", "quantity": "60"})
    said = ("40", "7", "0", "3.0", "2", "1", "0", "about 4", "5.")
    for branch, lot in product(("B01", "B02", "B03"), ("L-A", "L-B", "l-c", "L-BAD")):
        for days in rng.sample((-1, 0, 1, 30, 60, 200), rng.choice((0, 1, 2))):
            at = f"{(LAST_DAY - timedelta(days=days)).isoformat()}T{rng.choice(('00:30', '23:30'))}"
            counted = {"counted_at": at, "on_hand": rng.choice(said), "spoiled": rng.choice(said)}
            tables["stock_counts"].append({"branch_id": branch, "lot_no": lot} | counted)
    new = {"lot_no": "L-NEW", "counted_at": "2031-06-01T10:00", "on_hand": "20"}
    tables["stock_counts"] += [new | {"branch_id": branch, "spoiled": "1"} for branch in ("B01", "B02")]
    return tables


def measured(inbox: Path, store: Path) -> Iterator[tuple[date, Frames]]:
    """Take an inbox in, and give the lists as known on several days: the newest first."""
    with open_store(store, KEY) as con:
        take_in(con, look_into(inbox), now=NOW.replace(tzinfo=None), zone="UTC", key=KEY, progress=lambda _: None)
        newest, measures = count(con, PipelineSettings(), None, MEASURES)
        assert newest is not None
        yield newest, measures
        for days in DAYS_BACK:
            yield (
                newest - timedelta(days=days),
                count(con, PipelineSettings(), newest - timedelta(days=days), MEASURES)[1],
            )


def all_differences(measures: Frames, taken: Taken, facts: Facts, levels: tuple[tuple[str, str], ...]) -> Iterator[str]:
    contacts = lists.Contacts(facts)
    for dimension, level in levels:
        found = exposed_to(measures["traced_piercings"], measures["traced_batches"], dimension, level)
        ours = line_list(found, measures["contacted_visits"], measures["traced_reports"], facts.as_of)
        theirs = [lists.line(facts, contacts, piercing) for piercing in lists.exposed(facts, dimension, level)]
        yield from unlike(f"{dimension} {level}", ours.rows(named=True), theirs, "procedure_id")
        yield from unlike(f"head of {level}", head_counts(ours).rows(named=True), lists.head(theirs), "branch_id")
    ours_stock = judge_stock(measures["lot_stock"]).rows(named=True)
    yield from unlike("stock", ours_stock, lists.stock(taken, facts), "lot_no", "branch_id")
    ours_packs = RESULT_BY_NAME["packs"].frame(judge_packs(measures["lot_stock"], facts.as_of)).rows(named=True)
    yield from unlike("packs", ours_packs, lists.unused_packs(taken, facts), "lot_no", "branch_id")
    asking = Asking(
        facts.as_of,
        *(measures[f"traced_{name}"] for name in ("piercings", "batches", "reports")),
        measures["contacted_visits"],
        measures["missed_revisits"],
        pl.DataFrame(signals(facts.as_of)),
    )
    ours_calls = due_calls(asking).with_columns(pl.col("others").list.sort()).rows(named=True)
    their_calls = lists.calls(facts, signals(facts.as_of))
    yield from unlike("calls", ours_calls, their_calls, "visit_id")
    if [row["visit_id"] for row in ours_calls] != [row["visit_id"] for row in their_calls]:
        yield "calls are in another order"


def unlike(name: str, ours: list[Row], theirs: list[Row], *keys: str) -> Iterator[str]:
    mine, other = ({tuple(row[key] for key in keys): row for row in rows} for rows in (ours, theirs))
    yield from (f"{name} {key}: only on one side" for key in mine.keys() ^ other.keys())
    for key in mine.keys() & other.keys():
        for column in other[key]:
            if not same(mine[key][column], other[key][column]):
                yield f"{name} {key} {column}: {mine[key][column]!r} is not {other[key][column]!r}"


@pytest.mark.parametrize("seed", SEEDS)
def test_small_chains_as_known_on_several_days(seed: int, tmp_path: Path) -> None:
    rng = Random(seed)
    write_exports(tmp_path / "inbox", deliver(rng, with_ends_and_stock(rng, Chain(rng).tables())))
    taken = read_inbox(tmp_path / "inbox", now=NOW, key=KEY)
    for as_of, measures in measured(tmp_path / "inbox", tmp_path / "scapha.duckdb"):
        facts = Facts(Known(taken, as_of, Settings()))
        assert list(all_differences(measures, taken, facts, LEVELS)) == [], as_of


def test_the_edges_are_hit(tmp_path: Path) -> None:
    found: Counter[object] = Counter()
    for seed in SEEDS:
        rng, inbox = Random(seed), tmp_path / str(seed)
        write_exports(inbox, deliver(rng, with_ends_and_stock(rng, Chain(rng).tables())))
        taken = read_inbox(inbox, now=NOW, key=KEY)
        for days in (0, *DAYS_BACK):
            facts = Facts(Known(taken, LAST_DAY - timedelta(days=days), Settings()))
            contacts = lists.Contacts(facts)
            found.update(row["reason"] for row in lists.calls(facts, signals(facts.as_of)))
            found.update("others" for row in lists.calls(facts, signals(facts.as_of)) if row["others"])
            found.update(lists.line(facts, contacts, piercing)["contact"] for piercing in facts.piercings)
            for row in lists.stock(taken, facts):
                found.update(name for name in ("should_be", "unexplained", "used_since") if row.get(name))
                found.update(["chain"] if row["branch_id"] is None and row["should_be"] is not None else [])
    reasons = ("red_flag", "signal", "unresolved", "missed_revisit", "first_check", "others")
    contacts_met = ("reached", "heard from", "asked, no answer", "not asked yet")
    packs = ("should_be", "unexplained", "used_since", "chain")
    assert [name for name in (*reasons, *contacts_met, *packs) if found[name] < 4] == []
