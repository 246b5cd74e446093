"""Zones looked up for some rows alone are those looked up among all that the store holds."""

from random import Random

import duckdb
import polars as pl
import pytest

from pipeline.intake.zones import make_link_zones
from pipeline.store.database import create_from_frame, fetch, insert_frame
from support.exports import undone

ZONES = {"B1": "Europe/London", "B2": "Asia/Kathmandu", "B3": "America/St_Johns"}
LINKS = ("visit_id", "procedure_id", "client_key")
LOOKED_UP = """
    select n.seq, v.zone as of_visit, p.zone as of_piercing, c.zone as of_client
    from row_named n
    left join stg_visit_zones v using (visit_id)
    left join stg_procedure_zones p using (procedure_id)
    left join stg_client_zones c using (client_key)
    order by n.seq
"""


def versions(rng: Random, n: int) -> pl.DataFrame:
    """Versions of few piercings: visits that move between branches and clients, voids, and times that tie."""
    rows = [
        {
            "seq": seq,
            "run_id": 1,
            "file_id": 1,
            "line": seq,
            "procedure_id": f"P{rng.randrange(8)}",
            "visit_id": f"V{rng.randrange(6)}",
            "client_key": rng.choice(["C0", "C1", "C2", "C3", None]),
            "branch_id": rng.choice(["B1", "B2", "B3", "B9"]),
            "performed_at": f"2031-05-0{rng.randrange(1, 5)}T1{rng.randrange(3)}:00:00",
            "status": rng.choice(["completed", "completed", "completed", "void"]),
            "recorded_at": rng.choice([None, f"2031-05-0{rng.randrange(5, 8)}T12:00:00"]),
        }
        for seq in range(1, n + 1)
    ]
    return pl.DataFrame(rows, schema_overrides={"client_key": pl.String, "recorded_at": pl.String})


@pytest.mark.parametrize("seed", range(40))
def test_of_some_rows_as_of_all(shared_store: duckdb.DuckDBPyConnection, seed: int) -> None:
    rng = Random(seed)
    with undone(shared_store) as con:
        branches = [{"seq": at, "branch_id": name, "timezone": zone} for at, (name, zone) in enumerate(ZONES.items())]
        marks = (pl.lit(1).alias(name) for name in ("run_id", "file_id", "line"))
        insert_frame(con, "raw_branches", pl.DataFrame(branches).with_columns(marks))
        insert_frame(con, "raw_procedures", versions(rng, rng.choice([3, 10, 30])))
        named = [
            {"seq": at} | {link: rng.choice([None, f"{link[0].upper()}{rng.randrange(4)}"]) for link in LINKS}
            for at in range(rng.choice([0, 1, 3]))
        ]
        schema = {"seq": pl.Int64, **dict.fromkeys(LINKS, pl.String)}
        create_from_frame(con, "row_named", pl.DataFrame(named, schema=schema), temporary=True)
        make_link_zones(con, "UTC", "row_named")
        of_some = fetch(con, LOOKED_UP).rows()
        held = con.execute("select count(*) from stg_procedures").fetchall()[0][0]
        make_link_zones(con, "UTC", f"(select {', '.join(LINKS)} from raw_procedures)")
        assert of_some == fetch(con, LOOKED_UP).rows()
        everything = con.execute("select count(*) from stg_procedures").fetchall()[0][0]
        assert everything == con.execute("select count(*) from raw_procedures").fetchall()[0][0]
        assert held == 0 if not named else held <= everything
