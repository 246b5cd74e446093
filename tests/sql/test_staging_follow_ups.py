"""Follow-ups name no branch: their days are those of the branch of the piercing they are about.

At 23:30 UTC in winter it is the same day in London and the next in Tokyo; the settings' zone here is Honolulu, where
midnight by a local clock is 10:00 UTC.
"""

from support.texttables import check_file

SETTINGS = {"timezone": "Pacific/Honolulu"}
ZONES = {
    "stg_visit_zones": "visit_id | zone\nV-LON | Europe/London\nV-TOK | Asia/Tokyo",
    "stg_procedure_zones": "procedure_id | zone\nP-LON | Europe/London\nP-TOK | Asia/Tokyo",
    "stg_client_zones": "client_key | zone\nc-lon | Europe/London\nc-tok | Asia/Tokyo",
}


def test_the_visit_it_names_comes_first_then_its_procedure_then_its_client() -> None:
    check_file(
        "stg_follow_ups",
        params=SETTINGS,
        raw_follow_ups="""
        follow_up_id | visit_id | procedure_id | client_key | contacted_at
        F1           | V-TOK    | P-LON        | c-lon      | 2031-01-15T23:30:00Z
        F2           |          | P-TOK        | c-lon      | 2031-01-15T23:30:00Z
        F3           |          |              | c-tok      | 2031-01-15T23:30:00Z
        F4           |          | P-UNKNOWN    | c-tok      | 2031-01-15T23:30:00Z
        F5           | V-LON    |              | c-tok      | 2031-01-15T23:30:00Z
        """,
        gives="""
        follow_up_id | contacted_on
        F1           | 2031-01-16
        F2           | 2031-01-16
        F3           | 2031-01-16
        F4           | 2031-01-16
        F5           | 2031-01-15
        """,
        **ZONES,
    )


def test_about_nothing_known_it_follows_the_settings_zone() -> None:
    check_file(
        "stg_follow_ups",
        params=SETTINGS,
        raw_follow_ups="""
        follow_up_id | visit_id  | client_key | contacted_at
        F1           | V-UNKNOWN |            | 2031-01-15T00:00:00
        F2           |           | c-unknown  | 2031-01-15T09:59:00Z
        """,
        gives="""
        follow_up_id | contacted_at        | contacted_on
        F1           | 2031-01-15 10:00:00 | 2031-01-15
        F2           | 2031-01-15 09:59:00 | 2031-01-14
        """,
        **ZONES,
    )


def test_a_wall_time_follows_that_branch_too() -> None:
    check_file(
        "stg_follow_ups",
        params=SETTINGS,
        raw_follow_ups="""
        follow_up_id | visit_id | contacted_at        | recorded_at
        F1           | V-TOK    | 2031-01-15T08:00:00 |
        F2           | V-TOK    | 2031-01-15T08:00:00 | 2031-01-16T09:00:00
        F3           | V-TOK    | 2031-01-15T08:00:00 | 2031-01-16T23:00:00Z
        """,
        # Without recorded_at it counts as recorded when contacted.
        gives="""
        follow_up_id | contacted_at        | contacted_on | recorded_at         | recorded_on
        F1           | 2031-01-14 23:00:00 | 2031-01-15   | 2031-01-14 23:00:00 | 2031-01-15
        F2           | 2031-01-14 23:00:00 | 2031-01-15   | 2031-01-16 00:00:00 | 2031-01-16
        F3           | 2031-01-14 23:00:00 | 2031-01-15   | 2031-01-16 23:00:00 | 2031-01-17
        """,
        **ZONES,
    )


def test_every_version_is_kept_with_all_it_says() -> None:
    check_file(
        "stg_follow_ups",
        raw_follow_ups="""
        seq | follow_up_id | contacted_at        | outcome      | complication | onset_on   | severity | ear  | site
        1   | F1           | 2031-01-15T08:00:00 | no_answer    |              |            |          |      |
        2   | F1           | 2031-01-15T08:00:00 | complication | keloid       | 2031-01-10 | 2        | left | helix
        """,
        gives="""
        seq | follow_up_id | outcome      | complication | onset_on   | severity | ear  | site
        1   | F1           | no_answer    |              |            |          |      |
        2   | F1           | complication | keloid       | 2031-01-10 | 2        | left | helix
        """,
    )


# The default as-of date: "the newest day among performed_at, contacted_at, sold_at and recorded_at of accepted rows".
NEWEST = {
    "stg_procedures": "performed_on | recorded_on\n2031-01-01 | 2031-01-01",
    "stg_follow_ups": "contacted_on | recorded_on\n2031-01-01 | 2031-01-01",
    "stg_revisits": "starts_on | recorded_on | has_recorded_at\n2031-01-01 | 2031-01-01 | true",
    "stg_sales": "sold_on | recorded_on\n2031-01-01 | 2031-01-01",
}


def _newest_day(name: str, row: str, day: str) -> None:
    check_file("stg_newest_day", gives=f"newest_on\n{day}", **{**NEWEST, name: f"{NEWEST[name]}\n{row}"})


def test_the_newest_day_may_be_of_any_table() -> None:
    _newest_day("stg_procedures", "2031-01-05 | 2031-01-04", "2031-01-05")
    _newest_day("stg_procedures", "2031-01-05 | 2031-01-06", "2031-01-06")
    _newest_day("stg_follow_ups", "2031-01-05 | 2031-01-04", "2031-01-05")
    _newest_day("stg_follow_ups", "2031-01-05 | 2031-01-06", "2031-01-06")
    _newest_day("stg_sales", "2031-01-05 | 2031-01-04", "2031-01-05")
    _newest_day("stg_sales", "2031-01-05 | 2031-01-06", "2031-01-06")


def test_of_a_revisit_only_a_stated_recording_counts_as_newest() -> None:
    _newest_day("stg_revisits", "2031-03-01 | 2031-01-06 | true", "2031-01-06")
    _newest_day("stg_revisits", "2031-03-01 | 2031-01-06 | false", "2031-01-01")


def test_without_rows_there_is_no_newest_day() -> None:
    check_file("stg_newest_day", gives="newest_on\n|")


def test_what_a_report_says_of_the_client_s_care_stands_as_told() -> None:
    told = """
        follow_up_id | severity | certainty | clinician_seen | stud_removed | referred_same_day | resolved_on
        F1           | 3        | probable  | true           | false        | true              | 2031-02-01
        F2           |          |           |                |              |                   |
        """
    check_file("stg_follow_ups", raw_follow_ups=told, gives=told)
