"""Visits of completed piercings, and the levels that piercings stand under."""

from support.texttables import check_file

# visits: "its day, branch and practitioner are those of the first of them (performed_at, then procedure_id)."


def test_a_visit_is_that_of_its_first_piercing() -> None:
    check_file(
        "visits",
        piercings="""
        procedure_id | visit_id | branch_id | zone | performed_at        | performed_on | week       | practitioner_id
        P1           | V1       | B2        | CET  | 2031-01-06 00:10:00 | 2031-01-06   | 2031-01-06 | P-2
        P2           | V1       | B1        | UTC  | 2031-01-05 23:50:00 | 2031-01-05   | 2030-12-30 | P-1
        P9           | V2       | B1        | UTC  | 2031-01-05 10:00:00 | 2031-01-05   | 2030-12-30 | P-2
        P10          | V2       | B1        | UTC  | 2031-01-05 10:00:00 | 2031-01-05   | 2030-12-30 | P-1
        """,
        # V2: at the same time the procedure_id decides, as text: P10 comes before P9.
        gives="""
        visit_id | branch_id | zone | visited_at          | visited_on | week       | practitioner_id
        V1       | B1        | UTC  | 2031-01-05 23:50:00 | 2031-01-05 | 2030-12-30 | P-1
        V2       | B1        | UTC  | 2031-01-05 10:00:00 | 2031-01-05 | 2030-12-30 | P-1
        """,
    )


def test_a_visits_practitioner_stays_empty_where_its_first_piercing_names_none() -> None:
    check_file(
        "visits",
        piercings="""
        procedure_id | visit_id | performed_at        | practitioner_id
        P1           | V1       | 2031-01-05 10:00:00 |
        P2           | V1       | 2031-01-05 10:05:00 | P-1
        """,
        gives="visit_id | practitioner_id\nV1 |",
    )


def test_a_visits_client_may_stand_on_any_of_its_piercings() -> None:
    check_file(
        "visits",
        piercings="""
        procedure_id | visit_id | performed_at        | client_key
        P1           | V1       | 2031-01-05 10:00:00 |
        P2           | V1       | 2031-01-05 10:05:00 | c1
        P3           | V2       | 2031-01-05 10:00:00 |
        P5           | V3       | 2031-01-05 10:00:00 | c3
        P4           | V3       | 2031-01-05 10:00:00 | c2
        """,
        gives="visit_id | client_key\nV1 | c1\nV2 |\nV3 | c2",
    )


# piercing_levels


def test_a_piercing_stands_under_a_level_of_every_dimension() -> None:
    check_file(
        "piercing_levels",
        piercings="""
      procedure_id | branch_id | ear  | site | site_group | age_band | article_id | material | lot_no | practitioner_id
      P1         | B1      | left | lobe | lobe       | 18+      | K1       | gold     | L1     | P-1
      """,
        exposures="""
        procedure_id | batch_no
        P1           | BA
        P1           | BB
        """,
        gives="""
        procedure_id | dimension               | level
        P1           | all                     | all
        P1           | branch                  | B1
        P1           | site                    | lobe
        P1           | site_group              | lobe
        P1           | ear                     | left
        P1           | article                 | K1
        P1           | material                | gold
        P1           | practitioner            | P-1
        P1           | lot                     | L1
        P1           | batch                   | BA
        P1           | batch                   | BB
        P1           | age_band                | 18+
        P1           | practitioner:site_group | P-1:lobe
        """,
    )


def test_without_a_value_it_stands_under_missing_and_under_no_batch() -> None:
    # "A piercing without a value stands under the level (missing), without a batch under none."
    check_file(
        "piercing_levels",
        piercings="procedure_id | branch_id | site | site_group\nP1 | B1 | lobe | lobe",
        gives="""
        dimension               | level
        all                     | all
        branch                  | B1
        site                    | lobe
        site_group              | lobe
        ear                     | (missing)
        article                 | (missing)
        material                | (missing)
        practitioner            | (missing)
        lot                     | (missing)
        age_band                | (missing)
        practitioner:site_group | (missing):lobe
        """,
    )
