"""Nights one after another: what is remembered of signals, what notes change, and what an earlier day shows."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from functools import cache

import polars as pl
import pytest

from pipeline.contract.vocabulary import FOLLOWED
from pipeline.results import RESULT_BY_NAME
from pipeline.watch import limits as in_force
from pipeline.watch.limits import BY_SIZE
from pipeline.watch.night import NOTE_SCHEMA, Memory, watch

from .small import NIGHT, Pierced, before, chain, known_on, limits, planted

Results = dict[str, pl.DataFrame]

USUAL = chain(days=100)
LOT = planted(24, ill=9, first=before(60), branch="B1", lot="BAD")
RETURN = planted(24, ill=10, first=before(14), days=7, late=4, branch="B1", lot="BAD")
DAYS = tuple(before(days) for days in range(55, -1, -3))


@dataclass(frozen=True)
class Note:
    """What was found of an incident."""

    incident_id: str
    on: date
    state: str
    cause: tuple[str | None, str | None] = (None, None)


def noted(notes: Sequence[Note]) -> pl.DataFrame:
    rows = [(note.incident_id, note.on, note.state, *note.cause) for note in notes]
    return pl.DataFrame(rows, schema=NOTE_SCHEMA, orient="row")


def run(piercings: list[Pierced], days: Sequence[date], *notes: Note, memory: Memory | None = None) -> list[Results]:
    """The results of nights one after another, each with what those before it left."""
    memory = replace(memory or Memory(), notes=noted(notes))
    found = []
    for day in days:
        results = watch(known_on(piercings, day), day, memory, None)
        memory = replace(memory, signals=results["signals"], thresholds=results["thresholds"])
        found.append(results)
    return found


@pytest.fixture(scope="module", autouse=True)
def _one_threshold() -> Iterator[None]:
    """Let every family need the same evidence, as of a young chain: the lot comes first, and nothing by chance."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(in_force, "thresholds_by_size", lambda *_: limits(9.0))
        patch.setattr(in_force, "LEAST_PIERCINGS", 10**9)
        yield


@cache
def nights() -> list[Results]:
    return run(USUAL + LOT, DAYS)


def first_opened() -> tuple[int, str]:
    """The first night with an incident, by number, and the incident's id."""
    at = next(at for at, results in enumerate(nights()) if not results["incidents"].is_empty())
    return at, nights()[at]["incidents"]["incident_id"][0]


def memory_after(at: int) -> Memory:
    return Memory(nights()[at]["signals"], nights()[at]["thresholds"])


def infections(results: Results) -> pl.DataFrame:
    return results["signals"].filter(pl.col("complication") == "infection")


def test_every_result_has_its_columns() -> None:
    for results in (nights()[0], nights()[-1], watch(known_on([], NIGHT), NIGHT, Memory(), None)):
        assert {name: dict(frame.schema) for name, frame in results.items()} == {
            name: RESULT_BY_NAME[name].schema for name in results
        }
    assert nights()[-1]["signals"].height > 0


def test_a_chain_without_piercings_has_nothing_to_watch() -> None:
    assert all(frame.is_empty() for frame in watch(known_on([], NIGHT), NIGHT, Memory(), None).values())


def test_the_lot_is_a_signal_of_one_incident_with_all_that_is_told_of_it() -> None:
    at, incident_id = first_opened()
    (row,) = nights()[at]["incidents"].to_dicts()
    assert (row["dimension"], row["level"], row["state"], row["opened_on"]) == ("lot", "BAD", "new", DAYS[at])
    assert (row["cause_dimension"], row["cause_level"], row["provisional"]) == ("lot", "BAD", True)
    known = [p for p in LOT if p.day <= DAYS[at] and p.day >= row["started_on"]]
    assert row["exposed"] == len(known)
    assert row["observed"] == sum(p.recorded is not None and p.recorded <= DAYS[at] for p in known)
    weeks = nights()[at]["incident_weeks"].filter(pl.col("incident_id") == incident_id)
    assert weeks["procedures"].sum() == sum(p.day <= DAYS[at] for p in LOT)
    assert weeks["observed"].sum() >= row["observed"]
    explained = nights()[at]["explanations"]
    assert explained["rank"].to_list() == list(range(1, explained.height + 1))
    first = infections(nights()[at]).filter(pl.col("level") == "BAD").to_dicts()[0]
    assert first["statistic"] >= first["threshold"]
    assert first["signal_id"][2:] == incident_id[2:]


def test_a_signal_keeps_its_id_and_its_day_from_night_to_night() -> None:
    at, _ = first_opened()
    told: dict[str, tuple[object, ...]] = {}
    kept = ("raised_on", "dimension", "level", "started_on", "incident_id", "complication")
    for day, results in zip(DAYS[at:], nights()[at:], strict=True):
        rows = {row["signal_id"]: tuple(row[name] for name in kept) for row in results["signals"].to_dicts()}
        assert told.items() <= rows.items()
        assert all(raised == day for name, (raised, *_) in rows.items() if name not in told)
        told = rows
    assert len(told) >= 2
    assert len({incident for *_, incident, _ in told.values()}) == 1


def test_the_whole_memory_is_told_again_by_the_night_that_reads_it() -> None:
    again = watch(known_on(USUAL + LOT, DAYS[-1]), DAYS[-1], memory_after(-1), None)
    for name, frame in nights()[-1].items():
        assert again[name].equals(frame), name


def test_as_of_an_earlier_day_only_what_was_raised_by_then_shows() -> None:
    at, _ = first_opened()
    earlier = watch(known_on(USUAL + LOT, DAYS[at - 1]), DAYS[at - 1], memory_after(-1), None)
    assert earlier["signals"].is_empty()
    then = watch(known_on(USUAL + LOT, DAYS[at]), DAYS[at], memory_after(-1), None)
    assert then["signals"].equals(nights()[at]["signals"])
    assert then["incidents"].equals(nights()[at]["incidents"])


def test_notes_made_later_are_hidden_on_an_earlier_day() -> None:
    at, incident_id = first_opened()
    note = Note(incident_id, NIGHT, "explained", ("lot", "BAD"))
    (results,) = run(USUAL + LOT, [DAYS[at + 1]], note, memory=memory_after(at))
    assert infections(results)["state"].unique().to_list() == ["new"]
    assert results["incidents"].height == 1


def test_an_incident_fades_once_it_is_quiet_and_stays_told_as_faded() -> None:
    """The lot is gone, what is usual grows around it, and four weeks later the incident is over by itself."""
    piercings = chain(days=300, branches=1, a_day=1) + planted(12, ill=5, first=before(290), days=7, lot="BAD")
    days = [before(number) for number in range(275, 20, -15)]
    found = run(piercings, days)
    faded = [next(iter(infections(results).filter(pl.col("level") == "BAD")["faded_on"]), None) for results in found]
    (when,) = {day for day in faded if day}
    assert infections(found[0])["raised_on"].unique().to_list() == [days[0]]
    assert when > days[0] + timedelta(days=100)
    assert 28 < (when - infections(found[-1])["standing_on"][0]).days <= 28 + 15
    assert [day is not None for day in faded] == [day >= when for day in days]
    for day, results in zip(days, found, strict=True):
        is_over = day >= when
        assert infections(results)["state"].to_list() == ["faded" if is_over else "new"] * infections(results).height
        assert results["incidents"].is_empty() == is_over
    earlier = watch(known_on(piercings, days[3]), days[3], Memory(found[-1]["signals"]), None)["signals"]
    assert earlier["faded_on"].null_count() == earlier.height
    assert earlier["state"].unique().to_list() == ["new"]


@pytest.mark.parametrize("state", ["explained", "chance", "closed"])
def test_a_note_closes_the_incident_and_begins_the_slice_anew(state: str) -> None:
    at, incident_id = first_opened()
    note = Note(incident_id, before(16), state, ("lot", "BAD") if state == "explained" else (None, None))
    days = [day for day in DAYS[at:] if day >= before(16)]
    found = run(USUAL + LOT + RETURN, days, note, memory=memory_after(at))
    after = infections(found[0])
    assert after["state"].to_list() == [state] * after.height
    assert found[0]["incidents"].is_empty()
    again = found[-1]["incidents"].to_dicts()
    assert [(row["dimension"], row["level"]) for row in again] == [("lot", "BAD")]
    assert again[0]["incident_id"] != incident_id
    assert again[0]["observed"] == 10
    assert again[0]["opened_on"] > before(14)


@pytest.mark.parametrize("state", ["new", "looked_into"])
def test_a_note_of_one_who_looks_into_it_leaves_it_open(state: str) -> None:
    at, incident_id = first_opened()
    (results,) = run(USUAL + LOT, [DAYS[at + 1]], Note(incident_id, DAYS[at], state), memory=memory_after(at))
    assert results["incidents"]["state"].to_list() == [state]
    assert results["incidents"]["incident_id"].to_list() == [incident_id]


def test_of_several_notes_the_last_holds() -> None:
    at, incident_id = first_opened()
    notes = [Note(incident_id, DAYS[at], "closed"), Note(incident_id, DAYS[at + 1], "looked_into")]
    closed, opened = run(USUAL + LOT, DAYS[at : at + 2], *notes, memory=memory_after(at))
    assert closed["incidents"].is_empty()
    assert opened["incidents"]["state"].to_list() == ["looked_into"]


@pytest.mark.parametrize("cause", [("lot", "no such lot"), ("branch:lot", "B1:BAD")])
def test_a_cause_that_is_no_slice_settles_the_incident_s_own(cause: tuple[str, str]) -> None:
    """A slip of the pen, or a slice that holds the very piercings of another."""
    at, incident_id = first_opened()
    note = Note(incident_id, DAYS[at + 1], "explained", cause)
    found = run(USUAL + LOT, DAYS[at + 1 : at + 3], note, memory=memory_after(at))
    assert [results["incidents"].height for results in found] == [0, 0]


def test_the_budget_of_infection_is_that_of_the_chain_and_the_others_share_as_much() -> None:
    def budgets(piercings: list[Pierced], false_alarms: float | None) -> dict[str, float]:
        told = watch(known_on(piercings, NIGHT), NIGHT, Memory(), false_alarms)["thresholds"]
        assert told["basis"].unique().to_list() == [BY_SIZE]
        return dict(told.select("complication", "budget").unique().iter_rows())

    others = [name for name in FOLLOWED if name != "infection"]
    assert budgets(USUAL, None) == {"infection": 4.0} | dict.fromkeys(others, 4.0 / len(others))
    assert budgets(chain(days=50, branches=1), None)["infection"] == 0.5
    assert budgets(USUAL, 12.0)["infection"] == 12.0


def test_a_signal_that_stands_on_its_own_parts_for_good_with_an_id_of_its_own() -> None:
    also = planted(20, ill=8, first=before(40), branch="B3", lot="ALSO")
    (both,) = run(USUAL + LOT + also, DAYS[-2:-1])
    ids = dict(infections(both).filter(pl.col("dimension") == "lot").select("level", "incident_id").iter_rows())
    assert ids["BAD"] != ids["ALSO"]
    joined = both["signals"].with_columns(pl.col("incident_id").replace(ids["ALSO"], ids["BAD"]))
    for results in run(USUAL + LOT + also, DAYS[-1:], memory=Memory(joined, both["thresholds"])):
        opened = results["incidents"].filter(pl.col("complication") == "infection")
        assert sorted(opened["incident_id"]) == sorted(ids.values())
        kept = infections(results).filter(pl.col("level") == "ALSO").to_dicts()[0]
        before_it = infections(both).filter(pl.col("level") == "ALSO").to_dicts()[0]
        assert kept["incident_id"] == ids["ALSO"]
        assert (kept["signal_id"], kept["raised_on"]) == (before_it["signal_id"], before_it["raised_on"])
