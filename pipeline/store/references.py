"""The vocabularies as temporary tables: groups, windows and bands stand in no SQL file."""

import duckdb
import polars as pl

from pipeline.contract import vocabulary as v
from pipeline.store.database import create_from_frame


def make_references(con: duckdb.DuckDBPyConnection, allowed_site_groups: tuple[str, ...]) -> None:
    """Make every reference table as a temporary table."""
    for name, frame in reference_frames(allowed_site_groups).items():
        create_from_frame(con, name, frame, temporary=True)


def reference_frames(allowed_site_groups: tuple[str, ...]) -> dict[str, pl.DataFrame]:
    """The reference tables by name.

    ref_complications has a row for each kind that counts towards a complication or group; ref_windows the days after a
    piercing, first and last, in which an answer vouches for a window.
    """
    return {
        "ref_sites": pl.DataFrame({"site": list(v.SITE_GROUPS), "site_group": list(v.SITE_GROUPS.values())}),
        "ref_complications": pl.DataFrame(
            [(c.name, kind, c.window_days) for c in v.COMPLICATIONS for kind in c.members],
            schema={"complication": pl.String, "kind": pl.String, "window_days": pl.Int32},
            orient="row",
        ),
        "ref_windows": pl.DataFrame(
            [(days, *v.answer_days(days)) for days in v.WINDOWS],
            schema={"window_days": pl.Int32, "first_answer_day": pl.Int32, "last_answer_day": pl.Int32},
            orient="row",
        ),
        "ref_age_bands": pl.DataFrame(
            list(v.AGE_BANDS),
            schema={"age_band": pl.String, "low": pl.Int32, "high": pl.Int32},
            orient="row",
        ),
        "ref_watched": pl.DataFrame({"complication": list(v.WATCHED)}),
        "ref_followed": pl.DataFrame({"complication": list(v.FOLLOWED)}),
        "ref_onsets": pl.DataFrame(
            [(kind, c.name, place) for place, c in enumerate(v.ONSETS) for kind in c.members],
            schema={"kind": pl.String, "complication": pl.String, "place": pl.Int32},
            orient="row",
        ),
        "ref_causes": pl.DataFrame({"dimension": list(v.CAUSES)}),
        "ref_allowed_site_groups": pl.DataFrame(
            {"site_group": list(allowed_site_groups)}, schema={"site_group": pl.String}
        ),
    }
