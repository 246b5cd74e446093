"""Options that commands share, and how their days are read."""

from datetime import date, datetime
from pathlib import Path

import click

from pipeline.errors import UsageError
from pipeline.telling import NEW_SIGNAL, REJECTED

_FIRST_YEAR = 1970

PATH = click.Path(path_type=Path)
STORE = click.option(
    "--store", type=PATH, default="scapha.duckdb", show_default=True, help="The store's file; its key lies beside it."
)
SITE = click.option("--site", type=PATH, default="site", show_default=True, help="Where the pages are published.")
SETTINGS = click.option(
    "--settings",
    "settings_path",
    type=PATH,
    help="Settings file. Without it: scapha.toml in the inbox, else in the current folder.",
)
AS_OF = click.option(
    "--as-of",
    type=click.DateTime(["%Y-%m-%d"]),
    metavar="DATE",
    help="Report what was known by this day. Default: the newest day any record tells of.",
)
JSON = click.option("--json", "as_json", is_flag=True, help="Print one JSON document on stdout.")
CSV = click.option(
    "--csv",
    "csv_path",
    type=PATH,
    metavar="FILE",
    help="Write the list to this CSV file too, for its owner's eyes only.",
)
QUIET = click.option("--quiet", is_flag=True, help="Show no progress.")
STRICT = click.option("--strict", is_flag=True, help=f"Exit {REJECTED} where any row or file stands rejected.")
ALERT = click.option("--alert", is_flag=True, help=f"Exit {NEW_SIGNAL} where a new signal is open.")

EXITS = """
\b
Exit codes:
  0  done
  1  the job failed; the store and the published site are as they were
  2  wrong usage or settings
  3  done, and rows or files stand rejected (only with --strict)
  4  done, and a new signal is open (only with --alert)
  5  another run holds the store
"""


def local_day(moment: datetime | None) -> date | None:
    """The day of `--as-of`."""
    if moment is not None and moment.year < _FIRST_YEAR:
        raise UsageError(f"--as-of {moment.date()} lies before any data.", remedy=f"Name a day from {_FIRST_YEAR} on.")
    return moment.date() if moment else None
