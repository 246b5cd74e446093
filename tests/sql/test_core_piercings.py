"""Completed piercings as known by the as-of date, and the practitioners that codes lead to."""

import pytest

from support.texttables import check_file

# practitioner_codes: "alias_of leads, to the end of its chain, to the practitioner it names."


def test_an_alias_leads_to_the_end_of_its_chain() -> None:
    check_file(
        "practitioner_codes",
        stg_practitioners="""
        practitioner_id | alias_of
        P-1             |
        P-2             | P-1
        P-3             | P-2
        P-4             | P-3
        P-5             | P-UNKNOWN
        """,
        gives="""
        code | practitioner_id
        P-1  | P-1
        P-2  | P-1
        P-3  | P-1
        P-4  | P-1
        P-5  | P-UNKNOWN
        """,
    )


def test_a_chain_may_take_in_every_code_and_leave_them() -> None:
    check_file(
        "practitioner_codes",
        stg_practitioners="practitioner_id | alias_of\nP-1 | P-2\nP-2 | P-UNKNOWN",
        gives="code | practitioner_id\nP-1 | P-UNKNOWN\nP-2 | P-UNKNOWN",
    )


def test_a_chain_that_runs_in_a_circle_leads_nowhere() -> None:
    # The contract gives a circle no end; the file's header leaves its codes as they are.
    check_file(
        "practitioner_codes",
        stg_practitioners="""
        practitioner_id | alias_of
        P-1             | P-1
        P-2             | P-3
        P-3             | P-4
        P-4             | P-2
        P-5             | P-2
        P-6             | P-7
        P-7             |
        """,
        gives="""
        code | practitioner_id
        P-1  | P-1
        P-2  | P-2
        P-3  | P-3
        P-4  | P-4
        P-5  | P-5
        P-6  | P-7
        P-7  | P-7
        """,
    )


# piercings


def test_only_completed_piercings() -> None:
    check_file(
        "piercings",
        stg_procedures="""
        procedure_id | site | status    | recorded_on
        P1           | lobe | completed | 2031-01-01
        P2           | lobe | abandoned | 2031-01-01
        P3           | lobe | void      | 2031-01-01
        """,
        gives="procedure_id\nP1",
    )


def test_the_newest_version_recorded_by_the_as_of_date_counts() -> None:
    # "Known by A means the newest version of a row that was recorded on day A or earlier."
    check_file(
        "piercings",
        params={"as_of": "2031-01-10"},
        stg_procedures="""
        seq | procedure_id | site  | status    | recorded_at         | recorded_on
        1   | P1           | lobe  | completed | 2031-01-09 10:00:00 | 2031-01-09
        2   | P1           | helix | completed | 2031-01-10 10:00:00 | 2031-01-10
        3   | P1           | rook  | completed | 2031-01-11 10:00:00 | 2031-01-11
        4   | P2           | lobe  | completed | 2031-01-11 10:00:00 | 2031-01-11
        5   | P3           | lobe  | completed | 2031-01-09 10:00:00 | 2031-01-09
        6   | P3           | lobe  | void      | 2031-01-10 10:00:00 | 2031-01-10
        7   | P4           | lobe  | completed | 2031-01-09 10:00:00 | 2031-01-09
        8   | P4           | lobe  | void      | 2031-01-11 10:00:00 | 2031-01-11
        9   | P5           | lobe  | abandoned | 2031-01-09 10:00:00 | 2031-01-09
        10  | P5           | lobe  | completed | 2031-01-10 10:00:00 | 2031-01-10
        """,
        gives="""
        procedure_id | site
        P1           | helix
        P4           | lobe
        P5           | lobe
        """,
    )


def test_an_immediate_event_is_known_from_its_first_record_on() -> None:
    # A later correction of something else does not make the event known later than it was.
    check_file(
        "piercings",
        params={"as_of": "2031-01-20"},
        stg_procedures="""
        seq | procedure_id | site  | status    | immediate_event | recorded_at         | recorded_on
        1   | P1           | lobe  | completed |                 | 2031-01-09 10:00:00 | 2031-01-09
        2   | P1           | lobe  | completed | tear            | 2031-01-10 10:00:00 | 2031-01-10
        3   | P1           | helix | completed | tear            | 2031-01-11 10:00:00 | 2031-01-11
        4   | P1           | rook  | completed | tear            | 2031-01-21 10:00:00 | 2031-01-21
        """,
        gives="""
        procedure_id | site  | immediate_event | event_recorded_on
        P1           | helix | tear            | 2031-01-10
        """,
    )


def test_versions_go_by_recorded_at_then_by_the_order_taken_in() -> None:
    # P1: an older version delivered late changes nothing. P2: "of two versions with equal recorded_at the one taken in
    # later counts". P3: the instant counts, not the local day.
    check_file(
        "piercings",
        stg_procedures="""
        seq | procedure_id | site  | status    | recorded_at         | recorded_on
        1   | P1           | helix | completed | 2031-01-10 10:00:00 | 2031-01-10
        2   | P1           | lobe  | completed | 2031-01-09 10:00:00 | 2031-01-09
        3   | P2           | lobe  | completed | 2031-01-10 10:00:00 | 2031-01-10
        4   | P2           | helix | completed | 2031-01-10 10:00:00 | 2031-01-10
        5   | P3           | helix | completed | 2031-01-10 10:00:01 | 2031-01-10
        6   | P3           | lobe  | completed | 2031-01-10 10:00:00 | 2031-01-10
        """,
        gives="""
        procedure_id | site
        P1           | helix
        P2           | helix
        P3           | helix
        """,
    )


@pytest.mark.parametrize(
    ("age", "band"),
    [
        ("0", "0-4"),
        ("4", "0-4"),
        ("5", "5-10"),
        ("10", "5-10"),
        ("11", "11-15"),
        ("15", "11-15"),
        ("16", "16-17"),
        ("17", "16-17"),
        ("18", "18+"),
        ("120", "18+"),
        ("", ""),
    ],
)
def test_age_bands(age: str, band: str) -> None:
    check_file(
        "piercings",
        stg_procedures=f"""
        procedure_id | site | status    | recorded_on | age_years
        P1           | lobe | completed | 2031-01-01  | {age}
        """,
        gives=f"procedure_id | age_band\nP1 | {band}",
    )


def test_site_groups() -> None:
    # "lobe = lobe, upper_lobe; upper_cartilage = helix, scapha; other_cartilage = the rest, `other` apart."
    sites = {
        "lobe": ("lobe", "upper_lobe"),
        "upper_cartilage": ("helix", "scapha"),
        "other_cartilage": ("forward_helix", "tragus", "antitragus", "conch", "daith", "rook"),
        "other": ("other",),
    }
    pairs = [(site, group) for group, members in sites.items() for site in members]
    head = "procedure_id | site | status | recorded_on\n"
    check_file(
        "piercings",
        stg_procedures=head + "\n".join(f"{site} | {site} | completed | 2031-01-01" for site, _ in pairs),
        gives="site | site_group\n" + "\n".join(f"{site} | {group}" for site, group in pairs),
    )


def test_material_and_practitioner_where_they_are_known() -> None:
    # "one whose article, lot or practitioner no reference row knows keeps its own id, and its material is (missing)".
    check_file(
        "piercings",
        stg_procedures="""
        procedure_id | site | status    | recorded_on | article_id | practitioner_id | lot_no
        P1           | lobe | completed | 2031-01-01  | K1         | P-2             | L1
        P2           | lobe | completed | 2031-01-01  | K-UNKNOWN  | P-UNKNOWN       | L-UNKNOWN
        P3           | lobe | completed | 2031-01-01  |            |                 |
        """,
        stg_articles="article_id | material\nK1 | niobium",
        practitioner_codes="code | practitioner_id\nP-2 | P-1",
        gives="""
        procedure_id | article_id | material | practitioner_id | lot_no
        P1           | K1         | niobium  | P-1             | L1
        P2           | K-UNKNOWN  |          | P-UNKNOWN       | L-UNKNOWN
        P3           |            |          |                 |
        """,
    )


def test_a_piercing_keeps_what_its_record_says() -> None:
    said = """
        procedure_id | visit_id | client_key | branch_id | zone       | performed_at        | performed_on | ear  | site
        P1           | V1       | c1         | B1        | Asia/Tokyo | 2031-01-01 23:30:00 | 2031-01-02   | left | lobe
        """
    more = """
        age_years | pack_expiry | consent | aftercare_given | immediate_event | lot_no
        17        | 2031-05-01  | missing | verbal          | faint           | L1
        """
    (head, row), (more_head, more_row) = said.split("\n")[1:3], more.split("\n")[1:3]
    check_file(
        "piercings",
        stg_procedures=f"{head} | {more_head} | status | recorded_on\n{row} | {more_row} | completed | 2031-01-03",
        gives=f"{head} | {more_head}\n{row} | {more_row}",
    )


def test_a_week_runs_from_monday_to_sunday() -> None:
    check_file(
        "piercings",
        stg_procedures="""
        procedure_id | site | status    | recorded_on | performed_on
        sunday       | lobe | completed | 2031-01-01  | 2031-01-05
        monday       | lobe | completed | 2031-01-01  | 2031-01-06
        next_sunday  | lobe | completed | 2031-01-01  | 2031-01-12
        """,
        gives="""
        procedure_id | week
        sunday       | 2030-12-30
        monday       | 2031-01-06
        next_sunday  | 2031-01-06
        """,
    )
