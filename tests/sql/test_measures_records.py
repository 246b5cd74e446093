"""Gaps in the records of piercings, and the ledger's files and refusals."""

import pytest

from support.texttables import check_file

COLUMNS = (
    *("procedure_id", "branch_id", "performed_on", "age_years", "consent", "lot_no", "pack_expiry", "article_id"),
    *("practitioner_id", "site_group", "aftercare_given"),
)
SOUND = {
    "procedure_id": "P1",
    "branch_id": "B1",
    "performed_on": "2031-01-10",
    "age_years": "18",
    "consent": "adult_self",
    "lot_no": "L1",
    "pack_expiry": "2032-01-01",
    "article_id": "K1",
    "practitioner_id": "P-1",
    "site_group": "lobe",
    "aftercare_given": "both",
}


def _gaps(piercing: dict[str, str], gaps: str, lots: str = "L1 | B1 |", **params: object) -> None:
    """The gaps of a piercing whose record is sound but for what is given."""
    record = SOUND | piercing
    check_file(
        "record_gaps",
        params=params,
        piercings=f"{' | '.join(COLUMNS)}\n{' | '.join(record[column] for column in COLUMNS)}",
        stg_lots=f"lot_no | branch_id | expires_on\n{lots}",
        stg_articles="article_id\nK1",
        stg_practitioners="practitioner_id\nP-1",
        gives="\n".join(["procedure_id | branch_id | gap", *(f"P1 | B1 | {gap}" for gap in gaps.split())]),
    )


def test_a_sound_record_has_no_gap() -> None:
    _gaps({}, "")


@pytest.mark.parametrize(
    ("age", "consent", "gaps"),
    [
        ("17", "adult_self", "minor_without_guardian"),
        ("17", "guardian_present", ""),
        ("17", "guardian_remote", ""),
        ("18", "adult_self", ""),
        # "consent_missing (empty or missing; a minor then has both)"
        ("17", "missing", "minor_without_guardian consent_missing"),
        ("17", "", "minor_without_guardian consent_missing"),
        ("0", "", "minor_without_guardian consent_missing"),
        ("18", "missing", "consent_missing"),
        ("18", "", "consent_missing"),
        ("", "adult_self", "age_missing"),
        ("", "", "age_missing consent_missing"),
    ],
)
def test_age_and_consent(age: str, consent: str, gaps: str) -> None:
    _gaps({"age_years": age, "consent": consent}, gaps)


def test_the_adult_age_is_a_setting() -> None:
    _gaps({"age_years": "15"}, "minor_without_guardian", adult_age=16)
    _gaps({"age_years": "16"}, "", adult_age=16)


def test_a_lot_is_missing_unknown_or_known_anywhere() -> None:
    _gaps({"lot_no": ""}, "lot_missing")
    _gaps({"lot_no": "L2"}, "lot_unknown")
    _gaps({}, "", lots="L1 | B2 |")  # "no row anywhere"
    _gaps({}, "", lots="L1 | |")


@pytest.mark.parametrize(
    ("pack_expiry", "lots", "gaps"),
    [
        ("2031-01-10", "L1 | B1 |", ""),  # on the day itself it may still be used
        ("2031-01-09", "L1 | B1 |", "pack_expired"),
        ("2031-01-10", "L1 | B1 | 2031-01-09", ""),  # "pack_expiry, else the lot's"
        ("", "L1 | B1 | 2031-01-10", ""),
        ("", "L1 | B1 | 2031-01-09", "pack_expired"),
        ("", "L1 | B1 |", ""),
        # "Of several rows of a lot the branch's counts, else the chain's, else any"
        ("", "L1 | B1 | 2031-02-01\nL1 | | 2031-01-01\nL1 | B2 | 2031-01-01", ""),
        ("", "L1 | B1 | 2031-01-09\nL1 | | 2031-02-01\nL1 | B2 | 2031-02-01", "pack_expired"),
        ("", "L1 | | 2031-02-01\nL1 | B2 | 2031-01-01", ""),
        ("", "L1 | | 2031-01-09\nL1 | B2 | 2031-02-01", "pack_expired"),
        ("", "L1 | B2 | 2031-01-09", "pack_expired"),
        ("", "L1 | B1 |\nL1 | | 2031-01-01", ""),  # the branch's row counts, and says nothing
        # "and of several the earliest expires_on"
        ("", "L1 | B1 | 2031-02-01\nL1 | B1 | 2031-01-09", "pack_expired"),
        ("", "L1 | B1 | 2031-01-09\nL1 | B1 | 2031-02-01", "pack_expired"),
        ("", "L1 | B1 |\nL1 | B1 | 2031-01-09", "pack_expired"),
        ("", "L1 | B1 | 2031-01-09\nL1 | B1 |", "pack_expired"),
        ("", "L1 | B2 | 2031-02-01\nL1 | B3 | 2031-01-09", "pack_expired"),
        ("", "L2 | B1 | 2031-01-01\nL1 | B1 | 2031-02-01", ""),
    ],
)
def test_an_expired_pack(pack_expiry: str, lots: str, gaps: str) -> None:
    _gaps({"pack_expiry": pack_expiry}, gaps, lots=lots)


def test_each_piercing_has_its_own_branchs_row_of_a_lot() -> None:
    check_file(
        "record_gaps",
        piercings="""
        procedure_id | branch_id | performed_on | lot_no
        P1           | B1        | 2031-01-10   | L1
        P2           | B2        | 2031-01-10   | L1
        P3           | B2        | 2031-01-10   | L1
        """,
        stg_lots="lot_no | branch_id | expires_on\nL1 | B1 | 2031-02-01\nL1 | B2 | 2031-01-09",
        where="gap in ('pack_expired', 'lot_unknown')",
        gives="procedure_id | gap\nP2 | pack_expired\nP3 | pack_expired",
    )


def test_a_pack_may_be_expired_without_a_lot() -> None:
    _gaps({"lot_no": "", "pack_expiry": "2031-01-09"}, "lot_missing pack_expired")


def test_an_article_not_known() -> None:
    _gaps({"article_id": "K2"}, "article_unknown")
    _gaps({"article_id": ""}, "")  # the contract has no gap for one not named


def test_a_practitioner_missing_or_not_known() -> None:
    _gaps({"practitioner_id": ""}, "practitioner_missing")
    _gaps({"practitioner_id": "P-2"}, "practitioner_unknown")


@pytest.mark.parametrize(
    ("site_group", "gaps"),
    [
        ("lobe", ""),
        ("upper_cartilage", ""),
        ("other_cartilage", "site_not_allowed"),
        ("other", "site_not_allowed"),
    ],
)
def test_site_groups_outside_the_allowed(site_group: str, gaps: str) -> None:
    _gaps({"site_group": site_group}, gaps)


def test_the_allowed_site_groups_are_a_setting() -> None:
    check_file(
        "record_gaps",
        piercings="procedure_id | performed_on | site_group\nP1 | 2031-01-10 | lobe\nP2 | 2031-01-10 | other",
        ref_allowed_site_groups="site_group\nother",
        where="gap = 'site_not_allowed'",
        gives="procedure_id | gap\nP1 | site_not_allowed",
    )


@pytest.mark.parametrize(
    ("given", "gaps"),
    [("leaflet", ""), ("verbal", ""), ("none", "aftercare_missing"), ("", "aftercare_missing")],
)
def test_aftercare_advice(given: str, gaps: str) -> None:
    _gaps({"aftercare_given": given}, gaps)


def test_every_gap_of_a_piercing_is_named() -> None:
    empty = dict.fromkeys(COLUMNS, "")
    named = {column: SOUND[column] for column in ("procedure_id", "branch_id", "performed_on", "site_group")}
    gaps = "consent_missing age_missing lot_missing practitioner_missing aftercare_missing"
    _gaps(empty | named, gaps)


def test_gaps_of_the_364_days_that_end_on_the_as_of_date() -> None:
    check_file(
        "record_gaps",
        params={"as_of": "2031-02-14"},
        piercings="""
        procedure_id | branch_id | performed_on
        P1           | B1        | 2030-02-15
        P2           | B1        | 2030-02-16
        P3           | B1        | 2031-02-14
        P4           | B1        | 2031-02-15
        """,
        where="gap = 'age_missing'",
        gives="procedure_id | branch_id | performed_on\nP2 | B1 | 2030-02-16\nP3 | B1 | 2031-02-14",
    )


# The ledger

FILES = """
file_id | path    | table_name | sha256 | is_readable | undeclared | rows | accepted | rejected | duplicate | superseded
1       | a/s.csv | sales      | aa     | true        | [phone]    | 10   | 4        | 3        | 2         | 1
2       | a/s.csv | sales      | bb     | true        | []         | 0    | 0        | 0        | 0         | 0
3       | b.xlsx  | lots       | cc     | false       | []         | 0    | 0        | 0        | 0         | 0
"""


def test_files_as_the_ledger_has_them() -> None:
    check_file(
        "intake_files",
        file=FILES,
        gives="""
        file    | table_name | sha256 | rows | accepted | rejected | duplicate | superseded | undeclared | is_readable
        a/s.csv | sales      | aa     | 10   | 4        | 3        | 2         | 1          | [phone]    | true
        a/s.csv | sales      | bb     | 0    | 0        | 0        | 0         | 0          | []         | true
        b.xlsx  | lots       | cc     | 0    | 0        | 0        | 0         | 0          | []         | false
        """,
    )


def test_refusals_with_the_file_they_are_of() -> None:
    # A file that cannot be read at all has a line 0.
    check_file(
        "rejections",
        file=FILES,
        rejection="""
        file_id | line | column_name | rule            | value_shape | detail
        1       | 7    | quantity    | number.form     | 9a          |
        1       | 7    | sold_at     | value.missing   |             |
        3       | 0    |             | file.encrypted  |             | locked
        """,
        gives="""
        file    | sha256 | table_name | line | column_name | rule           | value_shape | detail
        a/s.csv | aa     | sales      | 7    | quantity    | number.form    | 9a          |
        a/s.csv | aa     | sales      | 7    | sold_at     | value.missing  |             |
        b.xlsx  | cc     | lots       | 0    |             | file.encrypted |             | locked
        """,
    )
