"""Incidents on small chains with something planted in them: opened, joined, told apart, faded, settled, seen again."""

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from pipeline.watch.against import AT_ONCE, FEW, MORE_ASKED, speaks_against
from pipeline.watch.arrays import NEVER
from pipeline.watch.explanations import LEAST_SHARE, explain
from pipeline.watch.families import FAMILIES
from pipeline.watch.frames import Settled, day_number, day_of, make_cohorts
from pipeline.watch.incidents import Incident, Night, watch_night
from pipeline.watch.scoring import score_slices
from pipeline.watch.signal import Signal, region

from .small import NIGHT, Pierced, before, chain, cohort_of, expected_of, known_on, limits, nights, planted

LEVEL = 9.0
USUAL = chain()
LOT = planted(24, ill=9, first=before(40), branch="B1", lot="BAD")


def watched(piercings: list[Pierced], night: date = NIGHT, open_: tuple[Incident, ...] = ()) -> Night:
    cohort = cohort_of(piercings, night)
    return watch_night(open_, cohort, day_number(night), expected_of(cohort, night), limits(LEVEL))


def names(incident: Incident) -> set[tuple[str, str]]:
    return {signal.name for signal in incident.signals}


def test_what_is_usual_opens_none() -> None:
    found = watched(USUAL)
    assert (found.open, found.faded, found.raised) == ((), (), ())
    assert found.scores.score.max() > 5  # and yet it has events


def test_a_bad_lot_opens_one_and_the_branch_that_used_it_joins() -> None:
    found = watched(USUAL + LOT)
    (incident,) = found.open
    assert incident.first.name == ("lot", "BAD")
    assert names(incident) == {("lot", "BAD"), ("branch", "B1")}
    assert found.raised == incident.signals
    assert incident.standing == incident.first.raised == day_number(NIGHT)
    assert abs((day_of(incident.first.started) - before(40)).days) <= 7


def test_the_furthest_beyond_its_own_threshold_comes_first() -> None:
    cohort = cohort_of(USUAL + LOT)
    levels = limits(LEVEL)
    levels[FAMILIES.index("lot")] += 7.8
    found = watch_night((), cohort, day_number(NIGHT), expected_of(cohort), levels)
    (incident,) = found.open
    assert [signal.name for signal in incident.signals] == [("branch", "B1"), ("lot", "BAD")]


def test_an_independent_second_slice_opens_its_own() -> None:
    other = planted(20, ill=8, first=before(30), branch="B3", lot="ALSO")
    found = watched(USUAL + LOT + other)
    assert {incident.first.name for incident in found.open} == {("lot", "BAD"), ("lot", "ALSO")}
    by_first = {incident.first.name[1]: names(incident) for incident in found.open}
    assert ("branch", "B1") in by_first["BAD"]
    assert ("branch", "B3") not in by_first["BAD"]
    whole = [own for own in by_first.values() if ("all", "all") in own]
    assert len(whole) <= 1


def test_two_bad_lots_of_one_branch_are_one_incident_of_the_branch() -> None:
    other = planted(30, ill=9, first=before(40), branch="B1", lot="ALSO")
    (incident,) = watched(USUAL + LOT + other).open
    assert incident.first.name == ("branch", "B1")
    assert names(incident) >= {("lot", "BAD"), ("lot", "ALSO")}


def test_with_an_incident_open_its_slices_raise_nothing_again() -> None:
    first = watched(USUAL + LOT)
    second = watched(USUAL + LOT, NIGHT + timedelta(days=1), first.open)
    assert second.raised == ()
    assert [incident.signals for incident in second.open] == [incident.signals for incident in first.open]
    assert second.open[0].standing == day_number(NIGHT) + 1


@pytest.mark.parametrize(("quiet", "fades"), [(0, False), (27, False), (28, False), (29, True)])
def test_an_incident_fades_after_28_quiet_nights(quiet: int, fades: bool) -> None:
    night = day_number(NIGHT)
    old = Incident((Signal(("lot", "BAD"), night - 60, night - 80),), night - quiet)
    found = watched(USUAL, open_=(old,))
    assert (found.faded, found.open) == (((old,), ()) if fades else ((), (old,)))


def test_a_rise_that_ends_stands_until_it_has_left_the_windows_and_then_fades() -> None:
    piercings = chain(days=260, branches=1, a_day=1) + planted(12, ill=4, first=before(200), days=7, lot="BAD")
    open_: tuple[Incident, ...] = ()
    opened, faded = [], []
    for night in list(nights(before(195), before(0)))[::7]:
        found = watched(piercings, night, open_)
        opened += [(night, signal.name) for signal in found.raised]
        faded += [night for _ in found.faded]
        open_ = found.open
    assert opened[0][1] == ("lot", "BAD")
    assert (len(faded), open_) == (1, ())
    assert faded[0] > opened[-1][0] + timedelta(days=28)


def settle(piercings: list[Pierced]) -> Night:
    """The night once a note has settled the lot, ten days after its last use."""
    note = Settled("infection", ("lot", "BAD"), before(40), before(20), has_cause=True)
    cohort = make_cohorts(known_on(piercings, NIGHT), [note])["infection"].known_on(day_number(NIGHT))
    return watch_night((), cohort, day_number(NIGHT), expected_of(cohort), limits(LEVEL))


def test_what_is_settled_is_no_evidence_again_and_a_return_is_seen() -> None:
    assert settle(USUAL + LOT).open == ()
    again = planted(24, ill=9, first=before(18), branch="B1", lot="BAD", days=10, late=6)
    found = settle(USUAL + LOT + again)
    (incident,) = found.open
    assert incident.first.name == ("lot", "BAD")
    at = cohort_of(USUAL + LOT + again).slices.index["lot", "BAD"]
    assert found.scores.observed[at, -1] == 9  # of the eighteen


def test_what_is_settled_and_caused_leaves_the_baseline() -> None:
    old = planted(60, ill=30, first=before(100), branch="B1", lot="OLD")
    risks = {}
    for has_cause in (False, True):
        note = Settled("infection", ("lot", "OLD"), before(100), before(80), has_cause)
        cohort = make_cohorts(known_on(USUAL + old, NIGHT), [note])["infection"].known_on(day_number(NIGHT))
        expected = expected_of(cohort)
        marked = cohort.is_caused
        assert marked.sum() == (60 if has_cause else 0)
        assert cohort.is_settled.sum() == 60
        assert not (expected.reference & marked).any()
        assert not np.isin(np.flatnonzero(cohort.is_settled), expected.recent).any()
        risks[has_cause] = expected.baseline.risk[0]
    without = expected_of(cohort_of(USUAL)).baseline.risk[0]
    assert risks[False] > 1.5 * risks[True]
    assert_allclose(risks[True], without, rtol=0.1)  # but for its part in delays and answers


def test_a_settled_slice_that_is_unknown_settles_nothing() -> None:
    cohort = make_cohorts(
        known_on(USUAL, NIGHT), [Settled("infection", ("lot", "NONE"), before(99), NIGHT, has_cause=True)]
    )["infection"]
    assert not cohort.is_settled.any()


def test_what_is_settled_of_one_complication_stays_evidence_of_another() -> None:
    note = Settled("infection", ("lot", "BAD"), before(99), NIGHT, has_cause=True)
    cohorts = make_cohorts(known_on(USUAL + LOT, NIGHT), [note])
    assert [name for name, cohort in cohorts.items() if cohort.is_settled.any()] == ["infection"]


# Backlogs


def test_what_is_recorded_late_counts_as_what_was_recorded_at_once() -> None:
    """With the same expected, scores are of what is known, not of when it came to be known."""
    prompt = cohort_of(USUAL + LOT)
    at_once = replace(prompt, recorded=np.where(prompt.recorded == NEVER, NEVER, day_number(NIGHT)))
    expected = expected_of(prompt)
    scores = [score_slices(cohort, day_number(NIGHT), expected) for cohort in (prompt, at_once)]
    assert_array_equal(scores[0].score, scores[1].score)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_backlog_raises_nothing_that_prompt_recording_would_not(seed: int) -> None:
    """Recording stops for three weeks, and all of it comes on one day."""
    usual = chain(days=200, a_day=3, ill=0.06, seed=seed)
    stopped, again = before(21), before(0)

    def held(day: date | None) -> date | None:
        return again if day and stopped <= day < again else day

    late = [replace(p, answered=held(p.answered), recorded=held(p.recorded)) for p in usual]
    scores = {}
    for kind, piercings in (("prompt", usual), ("late", late)):
        cohort = cohort_of(piercings)
        scores[kind] = score_slices(cohort, day_number(NIGHT), expected_of(cohort)).score
    assert sum(p.recorded == again for p in late) > 5
    assert_array_equal(np.isfinite(scores["late"]), np.isfinite(scores["prompt"]))
    some = np.isfinite(scores["prompt"])
    assert_allclose(scores["late"][some], scores["prompt"][some], atol=0.15)
    during = cohort_of(late, before(1))
    assert score_slices(during, day_number(before(1)), expected_of(during, before(1))).score.max() < LEVEL


# What may be behind it, and what speaks against


def test_the_lot_explains_its_branch_and_not_the_other_way_round() -> None:
    piercings = USUAL + LOT
    cohort, found = cohort_of(piercings), watched(piercings)
    told = explain(found.open[0], cohort, expected_of(cohort))
    assert told[0].name == ("lot", "BAD")
    assert (told[0].observed, told[0].share) == (9, pytest.approx(1.0))
    branch = next(one for one in told if one.name == ("branch", "B1"))
    assert branch.evidence < told[0].evidence
    assert all(one.share >= LEAST_SHARE for one in told)
    assert ("branch", "B2") not in {one.name for one in told}
    assert [one.evidence for one in told] == sorted((one.evidence for one in told), reverse=True)


def test_a_region_is_the_slice_since_the_start() -> None:
    cohort = cohort_of(USUAL + LOT)
    expected = expected_of(cohort)
    since = Signal(("lot", "BAD"), day_number(NIGHT), day_number(before(33)))
    inside = expected.recent[region(since, cohort, expected)]
    assert len(inside) == sum(p.day >= before(33) for p in LOT) > 0
    assert not region(replace(since, name=("lot", "NONE")), cohort, expected).any()


SIGNAL = Signal(("lot", "BAD"), day_number(NIGHT), day_number(before(40)))


def against(lot: list[Pierced], usual: list[Pierced] = USUAL) -> tuple[str, ...]:
    cohort = cohort_of(usual + lot)
    return speaks_against(SIGNAL, cohort, expected_of(cohort))


def test_little_speaks_against_a_lot_with_many_events_recorded_one_by_one() -> None:
    answered = [replace(p, answered=p.day + timedelta(days=14)) for p in LOT]
    assert against(answered) == ()


def test_few_events_speak_against_it() -> None:
    assert FEW in against(planted(24, ill=4, first=before(40), branch="B1", lot="BAD"))
    assert FEW not in against(planted(24, ill=5, first=before(40), branch="B1", lot="BAD"))


def test_events_typed_in_on_one_day_speak_against_it() -> None:
    def on_a_day(n: int) -> list[Pierced]:
        left = n
        lot = []
        for p in LOT:
            left -= p.recorded is not None
            lot.append(replace(p, recorded=before(2)) if p.recorded and left >= 0 else p)
        return lot

    assert AT_ONCE in against(on_a_day(5))  # of nine
    assert AT_ONCE not in against(on_a_day(4))


def test_more_asking_speaks_against_it() -> None:
    seldom = [
        replace(p, answered=p.answered if at % 3 == 0 or p.day >= before(45) else None) for at, p in enumerate(USUAL)
    ]
    answered = [replace(p, answered=p.day + timedelta(days=14)) for p in LOT]
    assert MORE_ASKED in against(answered, seldom)
    assert MORE_ASKED not in against(answered)
    assert MORE_ASKED not in against(answered, [p for p in USUAL if p.branch != "B1"])  # nothing before to compare with
