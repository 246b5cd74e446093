"""Commands that make or remake the store and its pages."""

import json
import sys
from datetime import UTC, datetime
from pathlib import Path

import click

from pipeline.cli.group import main
from pipeline.cli.options import ALERT, AS_OF, EXITS, JSON, PATH, QUIET, SETTINGS, SITE, STORE, STRICT, local_day
from pipeline.telling import REJECTED, end, printable, showing, tell, telling


@main.command(epilog=EXITS)
@click.argument("inbox", type=PATH)
@STORE
@SITE
@SETTINGS
@AS_OF
@STRICT
@ALERT
@QUIET
@JSON
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
            as_of=local_day(as_of),
            clock=lambda: datetime.now(UTC),
            progress=progress,
        )
    tell(outcome, site, as_json=as_json)
    end(outcome, strict=strict, alert=alert)


@main.command(epilog=EXITS)
@click.argument("paths", type=PATH, nargs=-1, required=True, metavar="PATHS...")
@STORE
@SETTINGS
@STRICT
@QUIET
@JSON
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


@main.command(epilog=EXITS)
@STORE
@SITE
@SETTINGS
@AS_OF
@STRICT
@ALERT
@QUIET
@JSON
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
        outcome = run_report(store=store, site=site, settings=settings, as_of=local_day(as_of), progress=progress)
    tell(outcome, site, as_json=as_json)
    end(outcome, strict=strict, alert=alert)


@main.command(epilog=EXITS)
@click.argument("folder", type=PATH)
@click.argument("branch_id", required=False, metavar="[BRANCH_ID]")
@click.option(
    "--for",
    "reader",
    type=click.Choice(("owner", "branch", "chain", "outside")),
    required=True,
    help="Who is going to read it.",
)
@STORE
@SETTINGS
@AS_OF
@QUIET
@JSON
def publish(
    folder: Path,
    branch_id: str | None,
    reader: str,
    store: Path,
    settings_path: Path | None,
    as_of: datetime | None,
    quiet: bool,
    as_json: bool,
) -> None:
    """Publish into FOLDER an edition that holds only what its reader may see.

    The owner and the chain find no practitioner and no list of single rows; a branch, named by BRANCH_ID, finds its own
    alone; readers outside find whole quarters without small counts, and a quarter once published there stands. Each
    edition has a folder of its own. The store is only read, with the settings that scapha report would take.

    \b
    Example:
      scapha publish for_the_market --for branch B01
    """
    with telling(as_json), showing(quiet) as progress:
        progress(f"reading {store}")
        from pipeline.editions import publish_edition, reader_named
        from pipeline.settings import find_settings, read_settings

        named = settings_path or find_settings(None)
        given = publish_edition(
            folder,
            reader_named(reader, branch_id),
            store=store,
            settings=read_settings(named) if named else None,
            as_of=local_day(as_of),
            progress=progress,
        )
    done = "is published" if given.is_changed else "stands as it was"
    click.echo(json.dumps(given.as_dict()) if as_json else f"{folder}/{given.first_page} {done}, for: {given.reader}.")


@main.command(epilog=EXITS)
@STORE
@QUIET
@JSON
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


@main.command(epilog=EXITS)
@STORE
@QUIET
@JSON
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
