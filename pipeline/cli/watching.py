"""Commands of the watch: signals and notes, replay, line of sight, tracing, calls."""

import json
from datetime import UTC, datetime
from pathlib import Path

import click

from pipeline.cli.group import main
from pipeline.cli.options import AS_OF, CSV, EXITS, JSON, QUIET, SETTINGS, STORE, local_day
from pipeline.errors import UsageError
from pipeline.telling import printable, showing, telling


@main.group(invoke_without_command=True, epilog=EXITS)
@STORE
@JSON
@click.pass_context
def signals(context: click.Context, store: Path, as_json: bool) -> None:
    """List the signals that nights have raised, those still open first, with the notes on their incidents.

    The store is only read.

    \b
    Example:
      scapha signals --store shop.duckdb
    """
    if context.invoked_subcommand is not None:
        return
    with telling(as_json):
        from pipeline.signals import list_signals

        found = list_signals(store)
    if as_json:
        click.echo(json.dumps(found.as_dict()))
        return
    for line in found.lines():
        click.echo(printable(line))


@signals.command("note", epilog=EXITS)
@click.argument("identifier", metavar="ID")
@click.option("--state", required=True, metavar="STATE", help="new, looked_into, explained, chance or closed.")
@click.option("--cause", default="", help="What was found; a slice such as lot:K3-M10-04 begins anew from today.")
@click.option("--by", default="", help="Who found it: initials or a role, no client.")
@click.option("--why", default="", help="Why it is so judged, in a sentence without any client's name.")
@STORE
@JSON
def signals_note(identifier: str, state: str, cause: str, by: str, why: str, store: Path, as_json: bool) -> None:
    """Record what was found of the incident of the signal or incident ID.

    Notes are never changed: a later one holds, and each is sealed to the one before. After `explained`, `chance` and
    `closed` the slice begins anew; after `explained` its excess leaves the baseline too.

    \b
    Example:
      scapha signals note S-0123456789 --state explained --cause lot:K3-M10-04 --by QL --why "seals were torn"
    """
    with telling(as_json):
        from pipeline.notes import Note, write_note

        note = Note(state=state, cause=cause, by=by, why=why)
        kept = write_note(store, identifier, note, now=datetime.now(UTC).replace(tzinfo=None))
    click.echo(json.dumps(kept) if as_json else printable(f"{kept['incident_id']} is {state}; seal {kept['seal']}."))


@main.command(epilog=EXITS)
@click.option("--from", "first", type=click.DateTime(["%Y-%m-%d"]), required=True, metavar="DATE", help="First night.")
@click.option("--to", "last", type=click.DateTime(["%Y-%m-%d"]), required=True, metavar="DATE", help="Last night.")
@STORE
@SETTINGS
@QUIET
@JSON
def replay(
    first: datetime, last: datetime, store: Path, settings_path: Path | None, quiet: bool, as_json: bool
) -> None:
    """Show what each night from one day to another would have flagged, knowing only what that night knew.

    Signals that stood on the first night are shown with the day they were raised. The store is only read.

    \b
    Example:
      scapha replay --from 2026-01-01 --to 2026-03-31 --json
    """
    with telling(as_json), showing(quiet) as progress:
        progress(f"reading {store}")
        from pipeline.replay import replay as watch_again
        from pipeline.settings import find_settings, read_settings
        from pipeline.signals import signal_lines, signal_rows

        named = settings_path or find_settings(None)
        settings = read_settings(named) if named else None
        found = watch_again(store, first.date(), last.date(), settings=settings, progress=progress)
    if as_json:
        click.echo(json.dumps(signal_rows(found)))
        return
    for line in signal_lines(found):
        click.echo(printable(line))


@main.command(epilog=EXITS)
@STORE
@QUIET
@JSON
def sightline(store: Path, quiet: bool, as_json: bool) -> None:
    """Show how soon a rise in infection would be seen at this chain's volumes, and what would make it sooner.

    Simulated on the chain's own last year; takes a minute or two. The store is only read.

    \b
    Example:
      scapha sightline --store shop.duckdb
    """
    with telling(as_json), showing(quiet) as progress:
        progress(f"reading {store}")
        from pipeline.sight import look_ahead

        found = look_ahead(store, progress=progress)
    if as_json:
        click.echo(json.dumps(found.as_dict()))
        return
    for line in found.lines():
        click.echo(printable(line))


@main.command(epilog=EXITS)
@click.option("--lot", metavar="LOT", help="Everyone pierced from this lot of studs.")
@click.option("--batch", metavar="BATCH", help="Everyone who was sold or given this batch of aftercare.")
@click.option("--visit", metavar="VISIT", help="One visit's piercings, and what they were exposed to.")
@click.option("--procedure", metavar="PROCEDURE", help="One piercing, and what it was exposed to.")
@STORE
@AS_OF
@CSV
@QUIET
@JSON
def trace(
    store: Path, as_of: datetime | None, csv_path: Path | None, quiet: bool, as_json: bool, **asked: str | None
) -> None:
    """Show who was exposed to a lot or a batch: how they fare, who was asked, and how many packs are left.

    Name one of --lot, --batch, --visit and --procedure. Everyone known by the day counts, however lately pierced. The
    store is only read.

    \b
    Example:
      scapha trace --lot K3-M10-04 --csv exposed.csv
    """
    with telling(as_json), showing(quiet) as progress:
        dimension, level = _one_of(asked)
        progress(f"reading {store}")
        from pipeline.places import write_csv
        from pipeline.trace import trace as find_exposed
        from pipeline.trace_text import trace_lines

        found = find_exposed(store, dimension, level, as_of=local_day(as_of), progress=progress)
        if csv_path:
            write_csv(csv_path, found.as_csv())
    if found.not_known:
        click.echo(f"scapha: {printable(found.not_known)}", err=True)
    if as_json:
        click.echo(json.dumps(found.as_dict()))
        return
    for line in trace_lines(found):
        click.echo(printable(line))


@main.command(epilog=EXITS)
@click.option("--branch", metavar="BRANCH", help="Only the calls of this branch.")
@STORE
@AS_OF
@CSV
@QUIET
@JSON
def calls(
    branch: str | None, store: Path, as_of: datetime | None, csv_path: Path | None, quiet: bool, as_json: bool
) -> None:
    """List the follow-ups to make today, the most urgent first, with why and what to ask.

    Clients are named by their visit alone. The store is only read; what came of a call is recorded in the branch's own
    follow-ups, and counts from the next night on.

    \b
    Example:
      scapha calls --branch B01 --csv calls.csv
    """
    with telling(as_json), showing(quiet) as progress:
        progress(f"reading {store}")
        from pipeline.calls import find_calls
        from pipeline.places import write_csv

        found = find_calls(store, branch=branch, as_of=local_day(as_of), progress=progress)
        if csv_path:
            write_csv(csv_path, found.as_csv())
    if as_json:
        click.echo(json.dumps(found.as_dict()))
        return
    for line in found.lines():
        click.echo(printable(line))


def _one_of(asked: dict[str, str | None]) -> tuple[str, str]:
    """The one of several options that is given, and its value."""
    given = [(name, value) for name, value in asked.items() if value and value.strip()]
    if len(given) != 1:
        raise UsageError(
            f"Name one thing to trace, not {len(given) or 'none'}.",
            remedy="With --lot, --batch, --visit or --procedure.",
        )
    return given[0]
