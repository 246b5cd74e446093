"""The command line: commands and their arguments. It alone reads the clock; heavy imports wait their turn."""

import json
import sys
from collections.abc import Sequence
from dataclasses import asdict
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import click

from pipeline import __version__
from pipeline.errors import UsageError
from pipeline.telling import NEW_SIGNAL, REJECTED, end, printable, showing, tell, telling

_FIRST_YEAR = 1970

_PATH = click.Path(path_type=Path)
_STORE = click.option(
    "--store", type=_PATH, default="scapha.duckdb", show_default=True, help="The store's file; its key lies beside it."
)
_SITE = click.option("--site", type=_PATH, default="site", show_default=True, help="Where the pages are published.")
_SETTINGS = click.option(
    "--settings",
    "settings_path",
    type=_PATH,
    help="Settings file. Without it: scapha.toml in the inbox, else in the current folder.",
)
_AS_OF = click.option(
    "--as-of",
    type=click.DateTime(["%Y-%m-%d"]),
    metavar="DATE",
    help="Report what was known by this day. Default: the newest day any record tells of.",
)
_JSON = click.option("--json", "as_json", is_flag=True, help="Print one JSON document on stdout.")
_CSV = click.option(
    "--csv",
    "csv_path",
    type=_PATH,
    metavar="FILE",
    help="Write the list to this CSV file too, for its owner's eyes only.",
)
_QUIET = click.option("--quiet", is_flag=True, help="Show no progress.")
_STRICT = click.option("--strict", is_flag=True, help=f"Exit {REJECTED} where any row or file stands rejected.")
_ALERT = click.option("--alert", is_flag=True, help=f"Exit {NEW_SIGNAL} where a new signal is open.")

_EXITS = """
\b
Exit codes:
  0  done
  1  the job failed; the store and the published site are as they were
  2  wrong usage or settings
  3  done, and rows or files stand rejected (only with --strict)
  4  done, and a new signal is open (only with --alert)
  5  another run holds the store
"""


class _Commands(click.Group):
    """The commands; where `--json` is given, a usage error is a JSON document on stdout too."""

    def main(self, args: Sequence[str] | None = None, *others: Any, **options: Any) -> Any:
        """Run the command of the arguments, and end with its exit code."""
        arguments = list(sys.argv[1:] if args is None else args)
        if "--json" not in arguments:
            return super().main(arguments, *others, **options)
        try:
            return super().main(arguments, *others, **options | {"standalone_mode": False})
        except click.ClickException as error:
            error.show()
            click.echo(json.dumps({"error": error.format_message(), "remedy": "", "exit_code": error.exit_code}))
            sys.exit(error.exit_code)
        except click.Abort:  # the user's own interruption
            click.echo("Aborted!", err=True)
            click.echo(json.dumps({"error": "aborted", "remedy": "Run it again.", "exit_code": 1}))
            sys.exit(1)


@click.group(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"]}, epilog=_EXITS)
@click.version_option(__version__, prog_name="scapha")
def main() -> None:
    """An ear-piercing business's figures and complication surveillance, every night, from its own exports.

    \b
    Examples:
      scapha nightly sample_exports
      scapha report --as-of 2026-05-31 --site as_known_in_may
      scapha simulate exports --branches 3 --weeks 52 --seed 7
    """


@main.command(epilog=_EXITS)
@click.argument("inbox", type=_PATH)
@_STORE
@_SITE
@_SETTINGS
@_AS_OF
@_STRICT
@_ALERT
@_QUIET
@_JSON
def nightly(
    inbox: Path,
    store: Path,
    site: Path,
    settings_path: Path | None,
    as_of: datetime | None,
    strict: bool,
    alert: bool,
    quiet: bool,
    as_json: bool,
) -> None:
    """Take in what is new in INBOX, compute, and publish the pages.

    Running it again with nothing new changes nothing. If it fails, run it again.

    \b
    Example:
      scapha nightly exports --store shop.duckdb --site pages
    """
    with telling(as_json), showing(quiet) as progress:
        progress(f"looking into {inbox}")
        from pipeline.nightly import run_night
        from pipeline.settings import find_settings, read_settings

        settings = read_settings(settings_path or find_settings(inbox))
        outcome = run_night(
            inbox,
            store=store,
            site=site,
            settings=settings,
            as_of=_day(as_of),
            clock=lambda: datetime.now(UTC),
            progress=progress,
        )
    tell(outcome, site, as_json=as_json)
    end(outcome, strict=strict, alert=alert)


@main.command(epilog=_EXITS)
@click.argument("paths", type=_PATH, nargs=-1, required=True, metavar="PATHS...")
@_STORE
@_SETTINGS
@_STRICT
@_QUIET
@_JSON
def check(
    paths: tuple[Path, ...], store: Path, settings_path: Path | None, strict: bool, quiet: bool, as_json: bool
) -> None:
    """Say what a night would accept and reject of the files and folders PATHS, and store nothing.

    Where a file cannot be read as it is, the lines to add to scapha.toml are suggested.

    \b
    Example:
      scapha check till/sales_today.csv --strict
    """
    with telling(as_json), showing(quiet) as progress:
        from pipeline.check import check_files
        from pipeline.settings import find_settings, read_settings

        folder = next((path for path in paths if path.is_dir()), paths[0].parent)
        settings = read_settings(settings_path or find_settings(folder))
        now = datetime.now(UTC).replace(tzinfo=None)
        found = check_files(paths, store=store, settings=settings, now=now, progress=progress)
    if as_json:
        click.echo(json.dumps(found.as_dict()))
    else:
        for line in found.lines():
            click.echo(printable(line))
    if strict and found.n_rejected:
        sys.exit(REJECTED)


@main.command(epilog=_EXITS)
@_STORE
@_SITE
@_SETTINGS
@_AS_OF
@_STRICT
@_ALERT
@_QUIET
@_JSON
def report(
    store: Path,
    site: Path,
    settings_path: Path | None,
    as_of: datetime | None,
    strict: bool,
    alert: bool,
    quiet: bool,
    as_json: bool,
) -> None:
    """Publish again from the store, for any past day as it was known then.

    The store is only read. Without --settings, and without scapha.toml in the current folder, the settings of the last
    night hold.

    \b
    Example:
      scapha report --as-of 2026-05-31 --site as_known_in_may
    """
    with telling(as_json), showing(quiet) as progress:
        progress(f"reading {store}")
        from pipeline.nightly import run_report
        from pipeline.settings import find_settings, read_settings

        named = settings_path or find_settings(None)
        settings = read_settings(named) if named else None
        outcome = run_report(store=store, site=site, settings=settings, as_of=_day(as_of), progress=progress)
    tell(outcome, site, as_json=as_json)
    end(outcome, strict=strict, alert=alert)


@main.command()
@click.argument("directory", type=_PATH)
@click.option("--branches", type=click.IntRange(1, 2000), default=4, show_default=True, help="How many branches.")
@click.option("--weeks", type=click.IntRange(1, 520), default=104, show_default=True, help="How many weeks of history.")
@click.option("--seed", type=click.IntRange(0), default=1, show_default=True, help="Same seed, same files.")
@click.option("--scenario", type=click.Choice(["corrowmere"]), help="Write this invented chain, stories and all.")
@_QUIET
@_JSON
def simulate(
    directory: Path, branches: int, weeks: int, seed: int, scenario: str | None, quiet: bool, as_json: bool
) -> None:
    """Write an invented chain's exports into DIRECTORY, and what is true of it beside it.

    The answer key goes to DIRECTORY.answer_key, apart from the exports. Nothing in it is about real people.

    \b
    Example:
      scapha simulate exports --branches 3 --weeks 52 --seed 7
    """
    with telling(as_json), showing(quiet) as progress:
        progress(f"inventing a chain in {directory}")
        from pipeline.simulate import simulate_chain, simulate_scenario

        if scenario:
            made = simulate_scenario(directory, scenario, progress=progress)
        else:
            made = simulate_chain(directory, branches=branches, weeks=weeks, seed=seed, progress=progress)
    click.echo(json.dumps(made.as_dict()) if as_json else made.sentence())


@main.command()
@click.argument("directory", type=_PATH)
@_JSON
def schema(directory: Path, as_json: bool) -> None:
    """Write a Table Schema file for each table of the exports into DIRECTORY.

    They say what every column holds, for whoever sets up an export or checks one.

    \b
    Example:
      scapha schema table_schemas
    """
    with telling(as_json):
        from pipeline.contract.tableschema import write_schemas

        names = write_schemas(directory)
    click.echo(json.dumps({"written": names}) if as_json else "\n".join(names))


@main.command(epilog=_EXITS)
@_STORE
@_QUIET
@_JSON
def forget(store: Path, quiet: bool, as_json: bool) -> None:
    """Erase the clients whose keys, as exported, stand on stdin, one a line, and print a certificate.

    Counts already published stay. If it fails, run it again with the same keys.

    \b
    Example:
      scapha forget --store shop.duckdb < keys.txt > certificate.txt
    """
    keys = sys.stdin.read().splitlines()
    with telling(as_json), showing(quiet) as progress:
        progress(f"reading {store}")
        from pipeline.forget import forget as erase

        certificate = erase(keys, store, now=datetime.now(UTC).replace(tzinfo=None), progress=progress)
    click.echo(json.dumps(certificate.as_dict()) if as_json else "\n".join(certificate.lines()))


@main.command(epilog=_EXITS)
@_STORE
@_QUIET
@_JSON
def rebuild(store: Path, quiet: bool, as_json: bool) -> None:
    """Make the whole store again from the originals and the journal that lie beside it.

    \b
    Example:
      scapha rebuild --store shop.duckdb
    """
    with telling(as_json), showing(quiet) as progress:
        progress(f"reading the journal of {store}")
        from pipeline.rebuild import rebuild as make_again

        made = make_again(store, progress=progress)
    said = {"runs": made.runs, "files": made.files}
    click.echo(
        json.dumps(said) if as_json else f"{store} is made again of {made.runs:,} runs and {made.files:,} files."
    )


@main.command(epilog=_EXITS)
@click.argument("folder", type=_PATH)
@_STORE
@_SETTINGS
@_QUIET
@_JSON
def fixlist(folder: Path, store: Path, settings_path: Path | None, quiet: bool, as_json: bool) -> None:
    """Write what each branch can mend into FOLDER: refused rows and gaps, as a spreadsheet and CSV to send again.

    Each branch has a folder of its own that tells of no other. The store is only read.

    \b
    Example:
      scapha fixlist to_mend --store shop.duckdb
    """
    with telling(as_json), showing(quiet) as progress:
        progress(f"reading {store}")
        from pipeline.fixlist import write_fix_lists
        from pipeline.settings import find_settings, read_settings

        named = settings_path or find_settings(None)
        settings = read_settings(named) if named else None
        written = write_fix_lists(folder, store=store, settings=settings, progress=progress)
    if as_json:
        click.echo(json.dumps({"branches": [one.as_dict() for one in written]}))
        return
    for one in written:
        rows = f"{one.rows:,} rows to mend, {one.without_values:,} without values, {one.gaps:,} gaps"
        click.echo(printable(f"{one.branch or 'Of no branch'}: {rows}."))


@main.command(epilog=_EXITS)
@click.option("--lot", metavar="LOT", help="Everyone pierced from this lot of studs.")
@click.option("--batch", metavar="BATCH", help="Everyone who was sold or given this batch of aftercare.")
@click.option("--visit", metavar="VISIT", help="One visit's piercings, and what they were exposed to.")
@click.option("--procedure", metavar="PROCEDURE", help="One piercing, and what it was exposed to.")
@_STORE
@_AS_OF
@_CSV
@_QUIET
@_JSON
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

        found = find_exposed(store, dimension, level, as_of=_day(as_of), progress=progress)
        if csv_path:
            write_csv(csv_path, found.as_csv())
    if found.not_known:
        click.echo(f"scapha: {printable(found.not_known)}", err=True)
    if as_json:
        click.echo(json.dumps(found.as_dict()))
        return
    for line in trace_lines(found):
        click.echo(printable(line))


@main.command(epilog=_EXITS)
@click.option("--branch", metavar="BRANCH", help="Only the calls of this branch.")
@_STORE
@_AS_OF
@_CSV
@_QUIET
@_JSON
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

        found = find_calls(store, branch=branch, as_of=_day(as_of), progress=progress)
        if csv_path:
            write_csv(csv_path, found.as_csv())
    if as_json:
        click.echo(json.dumps(found.as_dict()))
        return
    for line in found.lines():
        click.echo(printable(line))


@main.group(invoke_without_command=True, epilog=_EXITS)
@_STORE
@_JSON
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


@signals.command("note", epilog=_EXITS)
@click.argument("identifier", metavar="ID")
@click.option("--state", required=True, metavar="STATE", help="new, looked_into, explained, chance or closed.")
@click.option("--cause", default="", help="What was found; a slice such as lot:K3-M10-04 begins anew from today.")
@click.option("--by", default="", help="Who found it: initials or a role, no client.")
@click.option("--why", default="", help="Why it is so judged, in a sentence without any client's name.")
@_STORE
@_JSON
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


@main.command(epilog=_EXITS)
@click.option("--from", "first", type=click.DateTime(["%Y-%m-%d"]), required=True, metavar="DATE", help="First night.")
@click.option("--to", "last", type=click.DateTime(["%Y-%m-%d"]), required=True, metavar="DATE", help="Last night.")
@_STORE
@_SETTINGS
@_QUIET
@_JSON
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


@main.command()
@click.argument("file", type=_PATH)
@_JSON
def workbook(file: Path, as_json: bool) -> None:
    """Write a spreadsheet FILE to fill in by hand, for a shop without a till or booking export.

    It has a sheet for each table and one that explains every column. Saved into the inbox it is an export.

    \b
    Example:
      scapha workbook exports/shop.xlsx
    """
    with telling(as_json):
        from pipeline.places import owner_only
        from pipeline.workbook import write_workbook

        with owner_only():
            sheets = write_workbook(file)
    said = {"written": str(file), "sheets": sheets}
    click.echo(json.dumps(said) if as_json else f"{file} is written: {', '.join(sheets)}.")


@main.command()
@click.option("--show", is_flag=True, help="Show every setting that holds, and where it comes from.")
@_SETTINGS
@_JSON
def settings(show: bool, settings_path: Path | None, as_json: bool) -> None:
    """Read the settings and say whether they hold; --show prints each with where it comes from.

    \b
    Example:
      scapha settings --show
    """
    with telling(as_json):
        from pipeline.settings import find_settings, read_settings, shown

        path = settings_path or find_settings(None)
        rows = shown(read_settings(path), path)
    if as_json:
        told = [{"name": name, "value": value, "from": origin} for name, value, origin in rows]
        click.echo(json.dumps({"file": str(path) if path else None, "settings": told}))
    elif show:
        for name, value, origin in rows:
            click.echo(f"{name} = {value}  # {origin}")
    else:
        click.echo(f"{path} holds." if path else "There is no scapha.toml here; the defaults hold.")


@main.command()
@click.argument("shell", type=click.Choice(["bash", "zsh", "fish"]))
@_JSON
def completion(shell: str, as_json: bool) -> None:
    """Print what makes SHELL complete scapha's commands and options.

    \b
    Example:
      scapha completion bash >> ~/.bashrc
    """
    from click.shell_completion import get_completion_class

    completer = get_completion_class(shell)
    if completer is None:
        raise UsageError(f"There is no completion for {shell}.")
    script = completer(main, {}, "scapha", "_SCAPHA_COMPLETE").source()
    click.echo(json.dumps({"script": script}) if as_json else script)


@main.command()
@_JSON
def methods(as_json: bool) -> None:
    """List every statistical method with its formula, its source and the tests it passes.

    \b
    Example:
      scapha methods --json
    """
    from pipeline.stats.catalogue import catalogue

    if as_json:
        click.echo(json.dumps([asdict(method) for method in catalogue()]))
        return
    for method in catalogue():
        lines = (f"{method.name} ({method.identifier})", method.says, method.formula, f"Source: {method.source}")
        click.echo("\n  ".join(lines))


def _one_of(asked: dict[str, str | None]) -> tuple[str, str]:
    """The one of several options that is given, and its value."""
    given = [(name, value) for name, value in asked.items() if value and value.strip()]
    if len(given) != 1:
        raise UsageError(
            f"Name one thing to trace, not {len(given) or 'none'}.",
            remedy="With --lot, --batch, --visit or --procedure.",
        )
    return given[0]


def _day(moment: datetime | None) -> date | None:
    """The day of `--as-of`."""
    if moment is not None and moment.year < _FIRST_YEAR:
        raise UsageError(f"--as-of {moment.date()} lies before any data.", remedy=f"Name a day from {_FIRST_YEAR} on.")
    return moment.date() if moment else None
