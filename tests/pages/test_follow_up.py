"""Who was reached, what those not reached could change, and when complications begin: told as they are known."""

from datetime import timedelta

import pytest

from reports.parts import Cell, Figures, Table
from reports.sections.clients import client_table
from reports.sections.follow_up import bounds_table, coverage_table
from reports.sections.healing import material_site_figure
from reports.sections.onsets import onset_figure
from support.editions import AS_OF, written

from .conftest import Drawn
from .rows import Row, mondays, rate
from .specs import marks, rows_of


def plain(table: Table) -> list[list[str]]:
    """A table's cells as text and note, with plain spaces."""
    texts = [[f"{cell.text}|{cell.note}" if isinstance(cell, Cell) else cell for cell in row] for row in table.rows]
    return [[text.replace("\u00a0", " ") for text in row] for row in texts]


def bounds(**changes: object) -> list[str]:
    row = rate(dimension="branch", level="B1", **changes)
    return plain(bounds_table(written(results={"complication_rates": [row]})))[0]


def test_those_not_reached_bound_the_share_on_both_sides() -> None:
    # 12 of 600 known, 9 of them among the 300 reached; besides 3 told unasked, so 297 are in doubt.
    assert bounds() == ["B1", "3.0 %", "3 of 300", "2.0 %", "52 %"]


@pytest.mark.parametrize(
    ("changes", "row"),
    [
        ({"reached": 600, "events_reached": 12}, ["B1", "2.0 %", "0 of 0", "2.0 %", "2.0 %"]),
        ({"reached": 0, "events_reached": 0}, ["B1", "none reached", "12 of 600", "2.0 %", "100 %"]),
        ({"procedures": 0, "events": 0, "reached": 0, "events_reached": 0}, ["B1", "none reached", "0 of 0", "–", "–"]),
    ],
    ids=["all reached", "none reached", "no piercing"],
)
def test_bounds_at_the_ends(changes: Row, row: list[str]) -> None:
    assert bounds(**changes) == row


def test_no_bounds_before_there_is_data_enough() -> None:
    early = written(data_from=AS_OF, results={"complication_rates": [rate(dimension="branch", level="B1")]})
    assert plain(bounds_table(early)) == [["B1", "not yet", "not yet", "not yet", "not yet"]]


def test_coverage_is_told_with_its_interval_for_each_half_year() -> None:
    weeks = mondays(54)
    rows = [
        {"week": week, "branch_id": "B1", "procedures": 10, "reached": 8 if at < 28 else 4, "mature": at >= 2}
        for at, week in enumerate(weeks)
    ]
    [told] = plain(coverage_table(written(results={"coverage": rows})))
    assert told == ["B1", "80 %|208 of 260; 75 to 84 %", "40 %|104 of 260; 34 to 46 %"]


def by_client(**changes: object) -> Row:
    good: Row = {
        "complication": "infection",
        "procedures": 600,
        "events": 12,
        "rate": 0.02,
        "wilson_low": 0.0115,
        "wilson_high": 0.0346,
        "design_effect": 1.4,
        "clustered_low": 0.0107,
        "clustered_high": 0.0374,
        "clients": 400,
        "clients_with": 10,
        "client_rate": 0.025,
        "client_low": 0.0137,
        "client_high": 0.0454,
    }
    return good | changes


def test_both_ranges_stand_side_by_side() -> None:
    [told] = plain(client_table(written(results={"client_shares": [by_client()]})))
    assert told == ["Infection", "2.0 %|12 of 600", "1.1 to 3.5 %", "1.1 to 3.7 %", "2.5 %|10 of 400"]


def test_no_event_is_told_as_a_count_and_too_little_data_as_not_yet() -> None:
    none = by_client(events=0, rate=0.0, clients_with=0, client_rate=0.0)
    [told] = plain(client_table(written(results={"client_shares": [none]})))
    assert (told[1], told[4]) == ("0 of 600", "0 of 400")
    [early] = plain(client_table(written(data_from=AS_OF, results={"client_shares": [none]})))
    assert early[1:] == ["not yet"] * 4


def onset(complication: str, day: int, onsets: int, share: float) -> Row:
    return {
        "complication": complication,
        "day": day,
        "at_risk": 1000,
        "onsets": onsets,
        "share": share,
        "share_low": share * 0.8,
        "share_high": share * 1.2,
    }


def test_curves_are_drawn_of_watched_complications_with_enough_onsets(drawn: list[Drawn]) -> None:
    rows = [
        onset("infection", 2, 9, 0.009),
        onset("infection", 8, 11, 0.02),
        onset("contact_allergy", 40, 9, 0.009),
        onset("tear", 1, 50, 0.05),
    ]
    figure = onset_figure(Figures(), written(results={"onsets": rows}))
    assert figure is not None
    assert figure.title == "Infection: half of the cases known within 90 days begin by day 8"
    [lines] = marks(drawn[0].spec, "line")
    steps = [(row["series"], row["day"], row["share"]) for row in rows_of(drawn[0].spec, lines)]
    assert steps == [("infection", day, share) for day, share in ((0, 0.0), (2, 0.009), (8, 0.02), (90, 0.02))]
    told = {row[0]: row[1:] for row in plain(figure.table)}
    assert told["Infection"] == ["0.9 %|0.7 to 1.1 %", *["2.0 %|1.6 to 2.4 %"] * 3]
    assert told["Tear"][0] == "5.0 %|4.0 to 6.0 %"
    assert told["Lost stud"] == ["–"] * 4


def test_no_curve_without_onsets_enough() -> None:
    assert onset_figure(Figures(), written(results={"onsets": [onset("infection", 2, 9, 0.009)]})) is None
    assert onset_figure(Figures(), written(results={"onsets": []})) is None


def test_no_curve_before_piercings_are_known_about_to_its_end() -> None:
    many = {"onsets": [onset("infection", 2, 20, 0.02)]}
    needed = AS_OF - timedelta(days=90 + 14 + 363)
    assert onset_figure(Figures(), written(data_from=needed, results=many)) is not None
    assert onset_figure(Figures(), written(data_from=needed + timedelta(days=1), results=many)) is None


def pair(material: str, site_group: str, procedures: int = 100, **changes: object) -> Row:
    key = {"complication": "infection", "material": material, "site_group": site_group, "procedures": procedures}
    shares = {"events": 2, "rate": 0.02, "wilson_low": 0.006, "wilson_high": 0.07}
    among = {"reached": 50, "events_reached": 1, "rate_reached": 0.02, "reached_low": 0.004, "reached_high": 0.1}
    return key | shares | among | changes


def test_pairs_of_material_and_site_stand_in_order_and_few_piercings_are_left_out(drawn: list[Drawn]) -> None:
    rows = [pair("gold", "upper_cartilage"), pair("gold", "lobe"), pair("plated_steel", "lobe", 29)]
    edition = written(results={"material_sites": [*rows, pair("b", "lobe", complication="contact_allergy")]})
    figure = material_site_figure(Figures(), edition, "infection", "Infection by material and site group")
    assert figure is not None
    assert [row[0] for row in figure.table.rows] == ["gold, lobe", "gold, upper cartilage"]
    names = [row["name"] for row in rows_of(drawn[0].spec, marks(drawn[0].spec, "point")[0])]
    assert names == ["gold,\nlobe (100)", "gold,\nupper cartilage (100)"]


def test_pairs_nobody_reached_and_too_little_data() -> None:
    rows = [pair("gold", "lobe", reached=0, events_reached=0, rate_reached=None, reached_low=None, reached_high=None)]
    figure = material_site_figure(Figures(), written(results={"material_sites": rows}), "infection", "It")
    assert figure is not None
    assert plain(figure.table)[0][2] == "none reached"
    early = written(data_from=AS_OF - timedelta(days=44 + 362), results={"material_sites": rows})
    assert material_site_figure(Figures(), early, "infection", "It") is None
