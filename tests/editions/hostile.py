"""A small chain written by hand in which every result names someone, somewhere or something a reader must not meet."""

import hashlib
from datetime import timedelta
from typing import Any

from reports.edition import Edition
from support.editions import AS_OF, MONDAY, written

BRANCHES = {"Br-Ash": "Ashcombe", "Br-Elm": "Elmstead", "Br-Oak": "Oakmere", "Br-Yew": "Yewdale"}
PEOPLE = {"W-Ida7": "Br-Ash", "W-Jon8": "Br-Elm", "W-Kit9": "Br-Oak", "W-Lea6": "Br-Yew"}
CLIENT = hashlib.sha256(b"client").hexdigest()
SHA = hashlib.sha256(b"file").hexdigest()
STARTED = AS_OF - timedelta(days=60)


def digest(letter: str, *about: str) -> str:
    """An identifier as the watch gives them: whoever guesses what it is about can try."""
    return f"{letter}-{hashlib.sha256('|'.join(about).encode()).hexdigest()[:10]}"


def slices() -> list[tuple[str, str]]:
    """What stands out: every kind of slice, with every practitioner and every branch in it."""
    people = [
        pair
        for code in PEOPLE
        for pair in (
            ("practitioner", code),
            ("practitioner:site_group", f"{code}:lobe"),
            ("material:practitioner", f"gold:{code}"),
        )
    ]
    places = [pair for name in BRANCHES for pair in (("branch", name), ("branch:lot", f"{name}:L1"))]
    return [*people, *places, ("lot", "L1"), ("all", "all")]


def hostile(branches: dict[str, str] = BRANCHES) -> Edition:
    """The chain's edition, of all or only some of its branches."""
    people = {code: home for code, home in PEOPLE.items() if home in branches}
    told = [
        pair
        for pair in slices()
        if not set(pair[1].split(":")) & ((set(PEOPLE) - set(people)) | (set(BRANCHES) - set(branches)))
    ]
    results: dict[str, list[dict[str, Any]]] = {
        "branches": [
            {"branch_id": one, "name": name, "region": f"{name} region", "known": True, "data_through": AS_OF}
            for one, name in branches.items()
        ],
        "weekly": [
            {
                "week": MONDAY - timedelta(weeks=back), "branch_id": one, "visits": 20, "procedures": 30 + at,
                "infections_observed": 2, "infections_expected": 1.23456789, "mature": back > 7, "currency": "EUR",
                "aftercare_net": 10, "jewellery_net": 0,
            }
            for at, one in enumerate(branches) for back in range(12)
        ],
        "completion": [
            {"dimension": "branch", "level": one, "week": MONDAY, "procedures": 30, "seen": 1, "known_share": 0.123456,
             "expected_final": 2.345678, "low": 1, "high": 5}
            for one in branches
        ],
        "complication_rates": [
            _rate(dimension, level)
            for dimension, level in [("all", "all"), ("site", "helix"), *(("branch", one) for one in branches)]
            + [("practitioner", code) for code in people]
            + [("practitioner:site_group", f"{code}:lobe") for code in people]
        ],
        "attach": [
            {"dimension": dimension, "level": level, "period": "52w", "eligible_visits": 100, "attached_visits": 40,
             "rate": 0.4, "wilson_low": 0.3, "wilson_high": 0.5, "provided_visits": 50, "linked_visits": 90}
            for dimension, level in [("all", "all"), *(("branch", one) for one in branches)]
            + [("practitioner", code) for code in people]
        ],
        "comparison": [
            {"branch_id": one, "complication": "infection", "observed": 20 + at, "expected": 18.123456,
             "ratio": 1.10345, "ratio_low": 0.71234, "ratio_high": 1.71234, "limit_low_95": 0.61234,
             "limit_high_95": 1.51234, "limit_low_998": 0.41234, "limit_high_998": 1.81234,
             "comparable": True, "procedures": 700, "reached": 400, "coverage": 0.57}
            for at, one in enumerate(branches)
        ],
        "control_charts": [
            {"chart": f"p:{one}", "dimension": "branch", "level": one, "complication": "infection", "subgroup": "1",
             "n": 30, "observed": 9, "statistic": 0.3, "centre": 0.03, "lower": 0.0, "upper": 0.1, "signal": True,
             "from_on": AS_OF - timedelta(days=100), "to_on": AS_OF - timedelta(days=94), "baseline": 0.03,
             "mature": True, "in_baseline": False, "phase": 1, "reason": f"{code} came"}
            for code, one in people.items()
        ],
        "exposures": [
            {"dimension": dimension, "level": level, "complication": complication, "procedures": 300 + at,
             "observed": 20, "expected": 8.7654321, "ratio": 2.3, "ratio_low": 1.5, "ratio_high": 3.4,
             "limit_high": 15.0, "p_value": 0.0001, "signal": at % 2 == 0, "first_on": STARTED, "last_on": AS_OF}
            for complication in ("infection", "contact_allergy") for at, (dimension, level) in enumerate(told)
        ],
        "cause_branches": [
            {"complication": complication, "dimension": dimension, "level": level, "branch_id": one,
             "procedures": 50, "events": 4, "used_from": STARTED, "used_to": AS_OF}
            for complication in ("infection", "contact_allergy") for dimension, level in told
            for one in branches if _is_met(dimension, level, one, people)
        ],
        "signals": [
            _found(dimension, level) | {"signal_id": digest("S", dimension, level), "method": "m", "raised_on": AS_OF,
            "incident_id": digest("I", dimension, level), "procedures": 300}
            for dimension, level in told
        ] + [  # a slice that belongs to an incident which began with a practitioner of whom no signal is left
            _found("article", "K1") | {"signal_id": digest("S", "article", "K1"), "method": "m", "raised_on": AS_OF,
            "incident_id": digest("I", "practitioner", "W-Gone5"), "procedures": 300}
        ],
        "incidents": [
            _found(dimension, level) | {"incident_id": digest("I", dimension, level), "opened_on": AS_OF, "signals": 2,
            "exposed": 300, "still_exposed": 9, "ended_on": AS_OF, "against": "few",
            "cause_dimension": "practitioner" if people else "lot", "cause_level": next(iter(people), "L1")}
            for dimension, level in told
        ],
        "explanations": [
            {"incident_id": digest("I", *pair), "rank": 1, "dimension": "practitioner", "level": code, "evidence": 3.0}
            for pair in told[:1] for code in people
        ],
        "record_gaps": [
            {"procedure_id": f"Proc-{home}-{at}", "branch_id": home, "performed_on": MONDAY, "gap": gap}
            for home in branches for at in range(3) for gap in ("consent_missing", "lot_missing")
        ],
        "calls": [
            {"branch_id": home, "visit_id": f"Visit-{home}-{at}", "urgency": 1, "reason": "signal",
             "about": f"infection|practitioner|{code}", "since": STARTED, "due_on": AS_OF}
            for code, home in people.items() for at in range(3)
        ],
        "intake": [
            {"file": f"{one}/{code}/procedures.csv", "table": "procedures", "sha256": SHA, "rows": 9, "accepted": 8,
             "rejected": 1, "duplicate": 0, "superseded": 0, "readable": False, "undeclared": "Cordelia Quillfeather",
             "loaded_at": None}
            for code, one in people.items()
        ],
        "file_volumes": [
            {"file": f"{one}/{code}/procedures.csv", "table": "procedures", "sha256": SHA, "branch_id": one, "rows": 9,
             "days": 1, "usual": 90.0, "flag": "few", "told_from": MONDAY, "told_to": MONDAY}
            for code, one in people.items()
        ],
        "rejected_rows": [
            {"file": f"{one}/{code}/procedures.csv", "table": "procedures", "sha256": SHA, "line": line,
             "rule": "id.form", "column": "visit_id", "value": "aaaaaaaa 99999", "remedy": "Mend it."}
            for code, one in people.items() for line in (2, 3)
        ],
        "branch_practitioners": [
            {"branch_id": home, "practitioner_id": code, "site_group": "lobe", "procedures": 300, "events": 9,
             "reached": 200, "rate": 0.03, "wilson_low": 0.02, "wilson_high": 0.06}
            for code, home in people.items()
        ],
        "packs": [
            {"branch_id": one, "lot_no": f"Lot-{one}", "article_id": "K1", "expires_on": AS_OF, "packs": 9,
             "used_a_week": 1.0, "unused": 8.0}
            for one in branches
        ],
    }  # fmt: skip
    return written(results=results)


def _rate(dimension: str, level: str) -> dict[str, Any]:
    return {
        "dimension": dimension, "level": level, "complication": "infection", "window_days": 30, "procedures": 300,
        "events": 9, "rate": 0.03, "wilson_low": 0.02, "wilson_high": 0.06, "reached": 200, "coverage": 0.67,
        "events_reached": 7, "rate_reached": 0.035, "reached_low": 0.02, "reached_high": 0.07, "attributed": 0,
    }  # fmt: skip


def _found(dimension: str, level: str) -> dict[str, Any]:
    return {
        "complication": "infection", "dimension": dimension, "level": level, "state": "new", "started_on": STARTED,
        "observed": 20, "expected": 8.7654321, "ratio": 2.3, "ratio_low": 1.5, "ratio_high": 3.4, "standing_on": AS_OF,
    }  # fmt: skip


def _is_met(dimension: str, level: str, branch: str, people: dict[str, str]) -> bool:
    """Whether a branch met a slice: its own, its practitioners', and what is everywhere."""
    for part in level.split(":"):
        if part in BRANCHES and part != branch:
            return False
        if part in PEOPLE and people[part] != branch:
            return False
    return dimension != "all"
