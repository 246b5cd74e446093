"""Whose calendar a follow-up's days go by: the time zones of visits, procedures and clients.

A visit's branch is that of the first of its completed piercings (performed_at, then procedure_id).
"""

from support.texttables import check_file

BRANCHES = "branch_id | zone\nB1 | Europe/London\nB2 | Asia/Tokyo\nB3 | Asia/Tokyo"


def test_a_visits_zone_is_that_of_its_first_completed_piercing() -> None:
    check_file(
        "stg_visit_zones",
        stg_procedures="""
        procedure_id | visit_id | zone          | performed_at        | performed_on | status
        P1           | V1       | Europe/London | 2031-01-02 16:00:00 | 2031-01-02   | completed
        P2           | V1       | Asia/Tokyo    | 2031-01-02 15:00:00 | 2031-01-03   | completed
        P3           | V1       | Europe/Rome   | 2031-01-02 14:00:00 | 2031-01-02   | abandoned
        P9           | V2       | Europe/London | 2031-01-02 10:00:00 | 2031-01-02   | completed
        P10          | V2       | Asia/Tokyo    | 2031-01-02 10:00:00 | 2031-01-02   | completed
        P4           | V3       | Asia/Tokyo    | 2031-01-02 10:00:00 | 2031-01-02   | void
        P6           | V4       | Asia/Tokyo    | 2031-01-02 10:00:00 | 2031-01-02   | completed
        P7           | V4       | Europe/London | 2031-01-02 10:00:00 | 2031-01-02   | completed
        """,
        gives="""
        visit_id | zone       | performed_at        | performed_on
        V1       | Asia/Tokyo | 2031-01-02 15:00:00 | 2031-01-03
        V2       | Asia/Tokyo | 2031-01-02 10:00:00 | 2031-01-02
        V4       | Asia/Tokyo | 2031-01-02 10:00:00 | 2031-01-02
        """,
    )


VERSIONS = """
seq | procedure_id | visit_id | client_key | zone          | recorded_at         | status
1   | P1           | V1       | c1         | Europe/London | 2031-01-02 10:00:00 | completed
2   | P1           | V2       | c2         | Asia/Tokyo    | 2031-01-02 10:00:00 | completed
3   | P1           | V1       | c1         | Europe/London | 2031-01-01 10:00:00 | completed
4   | P2           | V3       | c3         | Europe/London | 2031-01-01 10:00:00 | completed
5   | P2           | V3       | c3         | Europe/London | 2031-01-02 10:00:00 | void
"""
OWN_ZONES = "visit_id | zone\nV1 | Europe/London\nV2 | Asia/Tokyo\nV3 | Europe/London"


def test_the_newest_version_of_a_piercing_counts() -> None:
    # By recorded_at, then by the order taken in: P1 is of V2, P2 void.
    check_file("stg_visit_zones", stg_procedures=VERSIONS, gives="visit_id | zone\nV2 | Asia/Tokyo")
    check_file(
        "stg_procedure_zones",
        stg_procedures=VERSIONS,
        stg_visit_zones=OWN_ZONES,
        gives="procedure_id | zone\nP1 | Asia/Tokyo",
    )
    check_file(
        "stg_client_zones",
        stg_procedures=VERSIONS,
        stg_visit_zones=OWN_ZONES,
        gives="client_key | zone\nc2 | Asia/Tokyo",
    )


def test_a_procedures_zone_is_that_of_its_visit() -> None:
    check_file(
        "stg_procedure_zones",
        stg_procedures="""
        procedure_id | visit_id | zone          | status
        P1           | V1       | Europe/London | completed
        P2           | V1       | Asia/Tokyo    | completed
        P3           | V1       | Asia/Tokyo    | abandoned
        """,
        stg_visit_zones="visit_id | zone\nV1 | Asia/Tokyo",
        gives="procedure_id | zone\nP1 | Asia/Tokyo\nP2 | Asia/Tokyo",
    )


def test_a_clients_zone_is_that_of_the_latest_visit() -> None:
    # By day, then time, then visit_id.
    check_file(
        "stg_client_zones",
        stg_procedures="""
        procedure_id | visit_id | client_key | status
        P1           | V1       | c1         | completed
        P2           | V2       | c1         | completed
        P3           | V3       | c2         | completed
        P4           | V4       | c2         | completed
        P5           | V5       | c3         | completed
        P6           | V6       | c3         | completed
        P7           | V6       | c3         | completed
        P8           | V7       |            | completed
        P9           | V8       | c4         | abandoned
        """,
        stg_visit_zones="""
        visit_id | zone          | performed_at        | performed_on
        V1       | Asia/Tokyo    | 2031-01-02 16:00:00 | 2031-01-03
        V2       | Europe/London | 2031-01-02 18:00:00 | 2031-01-02
        V3       | Asia/Tokyo    | 2031-01-02 10:05:00 | 2031-01-02
        V4       | Europe/London | 2031-01-02 10:00:00 | 2031-01-02
        V5       | Europe/London | 2031-01-02 10:00:00 | 2031-01-02
        V6       | Asia/Tokyo    | 2031-01-02 10:00:00 | 2031-01-02
        V7       | Asia/Tokyo    | 2031-01-02 10:00:00 | 2031-01-02
        V8       | Asia/Tokyo    | 2031-01-02 10:00:00 | 2031-01-02
        """,
        gives="client_key | zone\nc1 | Asia/Tokyo\nc2 | Asia/Tokyo\nc3 | Asia/Tokyo",
    )


def test_without_a_visit_the_contact_day_is_known_by_the_calendar_of_every_zone() -> None:
    # F2's wall time is that of each of them, and so of one day.
    check_file(
        "stg_contact_days",
        params={"timezone": "Pacific/Honolulu"},
        stg_branches=BRANCHES,
        raw_follow_ups="""
        seq | follow_up_id | visit_id | contacted_at
        1   | F1           |          | 2031-01-15T23:30:00Z
        2   | F2           |          | 2031-01-15T00:10:00
        3   | F3           | V1       | 2031-01-15T23:30:00Z
        """,
        gives="""
        seq | zone             | contacted_on
        1   | Pacific/Honolulu | 2031-01-15
        1   | Europe/London    | 2031-01-15
        1   | Asia/Tokyo       | 2031-01-16
        2   | Pacific/Honolulu | 2031-01-15
        2   | Europe/London    | 2031-01-15
        2   | Asia/Tokyo       | 2031-01-15
        """,
    )
