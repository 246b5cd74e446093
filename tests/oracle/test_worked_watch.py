"""Delay, expected infections, charts, comparison and exposures, worked out by hand from the method notes."""

from datetime import date, timedelta
from math import exp
from pathlib import Path

import pytest

from . import Settings, tables
from .expected import Delay, assumed_share
from .intervals import garwood
from .worked import AS_OF, PIERCINGS, night, only, take

FOLLOW_UPS = "follow_up_id,procedure_id,contacted_at,outcome,complication\n"


def infected(procedure_id: str, on: date) -> str:
    return f"F{procedure_id},{procedure_id},{on.isoformat()}T12:00,complication,minor_infection\n"


def backwards(j: int) -> float:
    """Give the assumed share of those known by day j that became known on it."""
    return 1 - assumed_share(j - 1) / assumed_share(j)


def test_right_truncated_delay_on_four_events() -> None:
    # Pairs of delay and truncation. On day 9 and 10 two events are old enough; on day 8 three, and none is known so
    # late; on day 6 three (the event cut off at day 4 is too young), of which one is known then. Each day counts five
    # assumed events more.
    delay = Delay([(1, 10), (3, 10), (3, 4), (6, 8)])
    assert assumed_share(3) == pytest.approx(0.141631, abs=1e-6)  # 1 - exp(-(4/14)^1.5)
    assert delay.share(9) / delay.share(10) == pytest.approx(1 - 5 * backwards(10) / 7)
    assert delay.share(7) / delay.share(8) == pytest.approx(1 - 5 * backwards(8) / 8)
    assert delay.share(5) / delay.share(6) == pytest.approx(1 - (1 + 5 * backwards(6)) / 8)
    assert delay.share(2) / delay.share(3) == pytest.approx(1 - (2 + 5 * backwards(3)) / 8)
    assert delay.share(119) == pytest.approx(1 - backwards(120))  # nobody is old enough: as assumed
    assert delay.share(120) == delay.share(999) == 1
    assert delay.share(-1) == 0


def test_delay_without_events_is_as_assumed() -> None:
    assert Delay([]).share(13) == pytest.approx(1 - exp(-1))


def test_infections_expected_so_far(tmp_path: Path) -> None:
    # As of 2032-06-30 the reference period ends on 2032-05-05. P1 and P2 are 100 and 200 days old, P1's infection was
    # recorded on day 20; P3 is 13 days old. Days 20 to 100 have one event at risk, the others none.
    p1 = date(2032, 3, 22)
    found = night(
        tmp_path,
        procedures=f"""
        {PIERCINGS}
        P1,V1,B1,{p1}T10:00,lobe
        P2,V2,B1,2031-12-13T10:00,lobe
        P3,V3,B1,2032-06-17T10:00,lobe
        P4,V4,B1,2032-06-17T10:00,rook
        """,
        follow_ups=FOLLOW_UPS + infected("P1", p1 + timedelta(days=20)),
    )
    share = assumed_share(13) / assumed_share(19) * (1 - (1 + 5 * backwards(20)) / 6)
    for j in range(21, 101):
        share *= 1 - 5 * backwards(j) / 6
    row = only(found["weekly"], week=date(2032, 6, 14))
    # Half of each lobe piercing's; the rook has no stratum and takes the chain's, which is a half as well.
    assert row["infections_expected"] == pytest.approx(2 * 0.5 * share, abs=1e-7)
    assert (row["procedures"], row["infections_observed"], row["mature"]) == (2, 0, False)


def test_weeks_once_all_is_known(tmp_path: Path) -> None:
    # As of Wednesday 2032-06-30 P1 is 13 days old, P2 3 days, and P3's week has not ended. Without an infection the
    # delay is as assumed: 1 - 1/e of P1's would be known, 14 % of P2's. Shape 1/2, probability F = 0.632: P(0) =
    # sqrt(F) = 0.795, P(1) = P(0) / 2 * (1 - F) = 0.146, P(2) = P(1) * 3/4 * (1 - F) = 0.040: together 0.982.
    days = {"P1": "2032-06-17", "P2": "2032-06-27", "P3": "2032-06-28"}
    rows = "\n".join(f"{name},V{name},B1,{day}T10:00,lobe" for name, day in days.items())
    found = [row for row in night(tmp_path, procedures=f"{PIERCINGS}\n{rows}\n")["completion"] if row["level"] == "B1"]
    names = ("week", "known_share", "expected_final", "low", "high")
    assert [[row[name] for name in names] for row in found] == [
        [date(2032, 6, 14), pytest.approx(1 - exp(-1)), 0, 0, 2],
        [date(2032, 6, 21), pytest.approx(0.141631, abs=1e-6), None, None, None],
    ]


def test_the_reference_period_ends_56_days_before(tmp_path: Path) -> None:
    # P1 of 2032-05-05 is in it and infected, P2 of the day after is not: one infection in about one piercing, so about
    # one is expected of P2 as well.
    exports = {
        "procedures": f"{PIERCINGS}\nP1,V1,B1,2032-05-05T10:00,lobe\nP2,V2,B1,2032-05-06T10:00,lobe\n",
        "follow_ups": FOLLOW_UPS + infected("P1", date(2032, 5, 6)),
    }
    assert night(tmp_path, **exports)["weekly"][0]["infections_expected"] == pytest.approx(2, abs=1e-3)
    early = night(tmp_path, date(2032, 6, 29), **exports)["weekly"][0]
    assert early["infections_expected"] is None  # as of a day earlier, the period has no piercing


def weeks_of_piercings(
    infected_by_week: list[int], n: int, branch: str = "B1", first: date = date(2032, 1, 5)
) -> dict[str, str]:
    """Give n piercings on each Monday from the first on, the first of which are infected and known 5 days later."""
    procedures, follow_ups = "", ""
    for week, infections in enumerate(infected_by_week):
        monday = first + timedelta(weeks=week)
        for number in range(n):
            name = f"P{week:02d}-{number}"
            procedures += f"{name},V{name},{branch},{monday}T10:{number:02d},lobe\n"
            if number < infections:
                follow_ups += infected(name, monday + timedelta(days=5))
    return {"procedures": f"{PIERCINGS}\n{procedures}", "follow_ups": FOLLOW_UPS + follow_ups}


def test_p_chart(tmp_path: Path) -> None:
    # Half of each of 26 weeks' ten: p0 = 0.5, n * p0 = 5. P(X <= 9) = 1023/1024 reaches 0.99865, P(X <= 8) does not;
    # P(X <= 0) = 0.00098 does not reach 0.00135, P(X <= 1) does: limits 1 and 9 of 10. What follows moves none of it.
    found = night(tmp_path, **weeks_of_piercings([5] * 26 + [6, 10, 0], n=10, first=date(2031, 9, 1)))
    points = [row for row in found["control_charts"] if row["chart"] == "p:all:all:infection"]
    assert [row["subgroup"] for row in points[-3:]] == ["2032-03-01", "2032-03-08", "2032-03-15"]
    assert {(row["n"], row["centre"], row["lower"], row["upper"]) for row in points} == {(10, 0.5, 0.1, 0.9)}
    assert [row["beyond"] for row in points] == [None] * 27 + ["above", "below"]
    assert [row["in_baseline"] for row in points] == [True] * 26 + [False] * 3
    assert {(row["baseline_from"], row["baseline_to"]) for row in points} == {(date(2031, 9, 1), date(2032, 2, 29))}
    assert (points[27]["from_on"], points[27]["to_on"]) == (date(2032, 3, 8), date(2032, 3, 14))


def test_run_rules(tmp_path: Path) -> None:
    # Of ten at p0 = 0.5: P(X >= 9) = 11/1024 is below P(Z > 2) = 0.0228, P(X >= 8) = 56/1024 is not; P(X >= 6) is below
    # a half, P(X >= 5) is not, so five lies on neither side.
    after = [9, 8, 9, 5, 8, 8, 5, 6, 6, 6, 6, 6, 6, 6, 6, 5]
    found = night(tmp_path, **weeks_of_piercings([5] * 26 + after, n=10, first=date(2031, 7, 7)))
    points = [row for row in found["control_charts"] if row["chart"] == "p:all:all:infection"]
    fired = {at: row["rule"] for at, row in enumerate(points[26:]) if row["rule"]}
    assert fired == {2: "two of three near a limit", 14: "eight on one side"}
    assert {row["rule_side"] for row in points if row["rule"]} == {"above"}
    assert not any(row["signal"] for row in points)


def test_weeks_still_coming_in_have_no_verdict(tmp_path: Path) -> None:
    # As of 2032-06-30 the last mature day is 2032-05-17, a Monday: the week of 2032-05-10 is the last mature one.
    found = night(tmp_path, **weeks_of_piercings([5] * 26 + [10, 10], n=10, first=date(2031, 11, 10)))
    points = [row for row in found["control_charts"] if row["chart"] == "p:all:all:infection"]
    assert [(row["subgroup"], row["mature"], row["beyond"], row["rule"], row["signal"]) for row in points[-2:]] == [
        ("2032-05-10", True, "above", "beyond a limit", True),
        ("2032-05-17", False, None, None, False),
    ]


def test_limits_are_widened_where_weeks_vary_by_more_than_chance(tmp_path: Path) -> None:
    # Weeks of 1 and 9 of 10 in turn: z = -4 and 4 over sqrt(2.5), so each squares to 6.4, in all 166.4, beyond the 95 %
    # quantile of chi-square with 25, 37.65. sigma_z = (8 / sqrt(2.5)) / 1.128 = 4.4856, so the limits are 0 and 1.
    found = night(tmp_path, **weeks_of_piercings([1, 9] * 13 + [10], n=10, first=date(2031, 9, 1)))
    points = [row for row in found["control_charts"] if row["chart"] == "p:all:all:infection"]
    assert points[0]["sigma_z"] == pytest.approx(4.4856, abs=1e-4)
    assert {(row["lower"], row["upper"], row["beyond"]) for row in points} == {(0, 1, None)}


def test_a_declared_phase_has_a_baseline_of_its_own(tmp_path: Path) -> None:
    # The Wednesday lies in the 27th week: from there 26 weeks with six of ten. A phase from the last week on has no
    # baseline yet and changes nothing; that of another branch is none of this one.
    exports = weeks_of_piercings([5] * 26 + [6] * 27, n=10, first=date(2031, 5, 5))
    wednesday, waiting = date(2031, 11, 5), date(2032, 5, 3)
    phases = ((wednesday, "new studs", None), (waiting, "late", "B1"), (date(2031, 8, 4), "other", "B2"))
    found = tables(take(tmp_path, **exports), as_of=AS_OF, settings=Settings(phases=phases))
    points = [row for row in found["control_charts"] if row["chart"] == "p:branch:B1:infection"]
    assert [(row["phase"], row["centre"], row["in_baseline"]) for row in points] == [
        *[(1, 0.5, True)] * 26,
        *[(2, 0.6, True)] * 26,
        (2, 0.6, False),
    ]
    assert {(row["phase"], row["reason"], row["phase_from"]) for row in points} == {
        (1, "the first weeks on record", date(2031, 5, 5)),
        (2, "new studs", date(2031, 11, 3)),
    }
    without = tables(take(tmp_path, **exports), as_of=AS_OF, settings=Settings())
    points = [row for row in without["control_charts"] if row["chart"] == "p:branch:B1:infection"]
    assert {(row["phase"], row["centre"]) for row in points} == {(1, 0.5)}
    assert [row["rule"] for row in points[26:]] == [None] * 7 + ["eight on one side"] * 20


def test_piercings_per_five_infections(tmp_path: Path) -> None:
    # 26 weeks of an infected and a healthy piercing: p0 = 0.5, n * p0 = 1. The fifth infection is the 9th piercing, the
    # tenth the 19th, so runs of 9, then of 10. N to the 5th infection: P(N <= 5) = 1/32 reaches 0.00135. P(N > U) is
    # the chance of at most 4 in U: for U = 22 9109/4194304 = 0.00217, for 23 10903/8388608 = 0.00130, so 23.
    found = night(tmp_path, **weeks_of_piercings([1] * 26, n=2, first=date(2031, 9, 1)))
    runs = [row for row in found["control_charts"] if row["chart"] == "per_five:branch:B1:infection"]
    assert [(row["subgroup"], row["n"], row["statistic"]) for row in runs[:2]] == [("0001", 9, 9), ("0002", 10, 10)]
    assert len(runs) == 5
    assert {(row["observed"], row["centre"], row["lower"], row["upper"]) for row in runs} == {(5, 10, 5, 23)}
    assert (runs[0]["from_on"], runs[0]["to_on"]) == (date(2031, 9, 1), date(2031, 9, 29))
    assert (runs[1]["from_on"], runs[1]["to_on"]) == (date(2031, 9, 29), date(2031, 11, 3))
    assert [row["beyond"] for row in runs] == [None] * 5


def test_piercings_from_infection_to_infection(tmp_path: Path) -> None:
    # One piercing a week, every fifth infected: 26 weeks hold 6 infections, 52 hold 11, so p0 = 11/52, and 0.21 a week
    # is below 0.25. P(N <= 1) = 0.21 reaches 0.00135; (41/52)^27 = 0.00163, (41/52)^28 = 0.00129, so 28.
    found = night(tmp_path, **weeks_of_piercings([1, 0, 0, 0, 0] * 11, n=1, first=date(2031, 1, 6)))
    gaps = [row for row in found["control_charts"] if row["chart"] == "g:branch:B1:infection"]
    assert [row["n"] for row in gaps] == [1, *[5] * 10]
    assert {(row["observed"], row["lower"], row["upper"]) for row in gaps} == {(1, 1, 28)}
    assert gaps[0]["centre"] == pytest.approx(52 / 11)
    assert gaps[0]["baseline_to"] == date(2032, 1, 4)


@pytest.mark.parametrize("infected_by_week", [[1] * 9 + [0] * 17, [1] * 25])
def test_no_chart_below_ten_infections_or_26_weeks(tmp_path: Path, infected_by_week: list[int]) -> None:
    exports = weeks_of_piercings(infected_by_week, n=2, first=date(2031, 9, 1))
    assert night(tmp_path, **exports)["control_charts"] == []


def test_comparison(tmp_path: Path) -> None:
    # 4 of B1's 8 are infected, none of B2's 8: the chain's rate is 1/4, so 2 are expected in each. Around a mean of 1
    # the weighted variance is 1, m / mean(E) is 0.5, so a = 0.5, and each ratio is pulled half-way to 1.
    # Poisson of mean 2: P(X <= 0) = 0.135, P(<= 4) = 0.947, P(<= 5) = 0.983, P(<= 7) = 0.9989, P(<= 8) = 0.9998.
    one, two = weeks_of_piercings([4], n=8), weeks_of_piercings([0], n=8, branch="B2")
    found = night(
        tmp_path,
        procedures=one["procedures"],
        procedures_2=two["procedures"].replace("P0", "Q0"),
        follow_ups=one["follow_ups"],
        branches="branch_id,follow_up_policy\nB1,active\nB2,passive\nB3,active\n",
    )
    rows = {row["branch_id"]: row for row in found["comparison"] if row["complication"] == "infection"}
    assert sorted(rows) == ["B1", "B2"]
    low, high = garwood(4)
    assert rows["B1"]["model_expected"] == pytest.approx(2)  # of one stratum alone, the regression gives its rate
    assert rows["B1"]["model_ratio"] == pytest.approx(2)
    assert only(found["calibration"], complication="infection")["tenth"] == 6  # the middle one of all alike
    assert [rows["B1"][name] for name in ("observed", "expected", "ratio", "shrunk_ratio")] == [4, 2, 2, 1.5]
    assert [rows["B2"][name] for name in ("observed", "expected", "ratio", "shrunk_ratio")] == [0, 2, 0, 0.5]
    assert (rows["B1"]["ratio_low"], rows["B1"]["ratio_high"]) == pytest.approx((low / 2, high / 2))
    limits = ("limit_low_95", "limit_high_95", "limit_low_998", "limit_high_998")
    assert [rows["B1"][name] for name in limits] == [0, 2.5, 0, 4]
    assert (rows["B1"]["comparable"], rows["B2"]["comparable"]) == (True, False)
    assert rows["B2"]["reason"] == "it does not ask after its clients"


def test_exposures(tmp_path: Path) -> None:
    # 20 of 100 piercings are of lot BAD, with all 10 infections: mu = 0.1 each, 2 expected in BAD, 8 in GOOD, 10 in the
    # branch, 2.5 in article K1, which BAD and 5 of GOOD are of: K = 4 and the limit is 0.01/4. P(X >= 8 | 2) = 0.0011
    # is below it, P(X >= 7 | 2) = 0.0045 is not. P(X >= 10 | 2) = 0.0000465, P(X >= 10 | 2.5) = 0.000277: both are
    # beyond, BAD is taken, and without its piercings K1 has none in 0.5.
    procedures, follow_ups = "", ""
    for number in range(100):
        name, lot, article = f"P{number:02d}", "bad" if number < 20 else "good", "K1" if number < 25 else ""
        procedures += f"{name},V{name},B1,2032-04-01T10:00,lobe,{lot},{article}\n"
        if number < 10:
            follow_ups += infected(name, date(2032, 4, 11))
    found = night(
        tmp_path,
        procedures=f"{PIERCINGS},lot_no,article_id\n{procedures}",
        follow_ups=FOLLOW_UPS + follow_ups,
    )
    rows = {row["level"]: row for row in found["exposures"] if row["complication"] == "infection"}
    assert sorted(rows) == ["B1", "BAD", "GOOD", "K1"]
    bad = rows["BAD"]
    assert (bad["observed"], bad["expected"], bad["limit_high"], bad["signal"]) == (10, pytest.approx(2), 8, True)
    assert bad["p_value"] == pytest.approx(4.65e-5, rel=1e-3)
    assert (rows["B1"]["observed"], rows["B1"]["expected"], rows["B1"]["signal"]) == (10, pytest.approx(10), False)
    k1 = rows["K1"]
    assert (k1["observed"], k1["expected"], k1["signal"]) == (10, pytest.approx(2.5), False)
    assert k1["p_value"] == pytest.approx(2.77e-4, rel=1e-2)
