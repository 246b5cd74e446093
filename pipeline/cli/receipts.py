"""The command that shows what stands behind a figure."""

import json
from datetime import datetime
from pathlib import Path

import click

from pipeline.cli.group import main
from pipeline.cli.options import AS_OF, CSV, EXITS, JSON, QUIET, STORE, local_day
from pipeline.telling import printable, showing, telling


@main.command(epilog=EXITS)
@click.argument("figure", required=False)
@STORE
@AS_OF
@CSV
@QUIET
@JSON
def explain(
    figure: str | None, store: Path, as_of: datetime | None, csv_path: Path | None, quiet: bool, as_json: bool
) -> None:
    """Show which records stand behind FIGURE, from which line of which file, and why others are left out.

    FIGURE is a row of a published table: the table's name, then what tells the row apart, by its columns. Without it,
    the figures that can be explained are listed. The store is only read.

    \b
    Examples:
      scapha explain complication_rates/dimension=branch,level=B01,complication=infection
      scapha explain weekly/week=2026-09-21,branch_id=B01 --csv week.csv
    """
    if figure is None:
        _list_explained(as_json)
        return
    with telling(as_json), showing(quiet) as progress:
        progress(f"reading {store}")
        from pipeline.explain import explain as find_receipt
        from pipeline.explain_text import receipt_lines
        from pipeline.places import write_csv

        found = find_receipt(store, figure, as_of=local_day(as_of), progress=progress)
        if csv_path:
            write_csv(csv_path, found.as_csv())
    if as_json:
        click.echo(json.dumps(found.as_dict()))
        return
    for line in receipt_lines(found):
        click.echo(printable(line))


def _list_explained(as_json: bool) -> None:
    from pipeline.explain_text import explained_lines, explained_rows

    if as_json:
        click.echo(json.dumps({"figures": explained_rows()}))
        return
    for line in explained_lines():
        click.echo(line)
