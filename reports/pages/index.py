"""The owner's week: three sentences, what needs doing, and the figures against the weeks before."""

from dataclasses import dataclass
from datetime import date, timedelta

import polars as pl

from reports import numbers, words
from reports.business import BOUGHT, PROVIDED, VISITS, last_complete_week, lines_of, week_table
from reports.call_words import IN_SHORT, RED_FLAG
from reports.edition import Edition
from reports.findings import findings, recent_points, silent_branches
from reports.locales import isolated
from reports.parts import Cell, Figure, Figures, Table
from reports.receipts import week_receipts
from reports.sections.follow_up import changed_answers
from reports.sections.healing import complication_table, rate_cells
from reports.sections.infections import infections_figure
from reports.sections.moves import moves_table
from reports.sections.trade import trade_figures
from reports.week_words import how_sure, what_changed, what_to_do, without_person

READS = (
    "control_charts",
    "incidents",
    "weekly",
    "attach",
    "revisits",
    "complication_rates",
    "exposures",
    "cause_branches",
    "branches",
    "record_gaps",
    "rejected_rows",
    "intake",
    "file_volumes",
    "calls",
    "packs",
    "week_moves",
    "answers",
)


OWNERS_COMPLICATIONS = ("infection", "any", "contact_allergy", "embedded_stud", "excess_bleeding")
"""What an owner reads every week; the watch has every kind."""
PACKS_NAMED = 3
"""Lots that expire unused which are named one by one."""
VOLUMES_NAMED = 3
"""Exports of unusual size that are asked about one by one."""


BRANCHES, QUALITY, OWNER = "Branches", "Quality lead", "You"
TODAY, THIS_WEEK = "today", "this week"


@dataclass(frozen=True)
class ToDo:
    """Something that needs doing: what, where to look, who does it and by when, and a note.

    The days given are common practice, from no source.
    """

    text: str
    link: str
    who: str
    by: str = THIS_WEEK
    note: str = ""


@dataclass(frozen=True)
class Context:
    """The page's content; without a whole week of data only `not_yet` is filled."""

    week: str = ""
    through: str = ""
    not_yet: str = ""
    sentences: tuple[str, ...] = ()
    to_do: tuple[ToDo, ...] = ()
    figures: Table | None = None
    charts: tuple[Figure, ...] = ()
    moves: Table | None = None
    healing: Table | None = None
    infections: Figure | None = None
    branches: Table | None = None
    cautions: tuple[str, ...] = (words.CAUTION_SIGNAL, words.CAUTION_RED_FLAGS, words.CAUTION_ADVICE)


def build(edition: Edition) -> Context:
    """The owner's page of an edition."""
    monday = last_complete_week(edition)
    if monday is None:
        why = "No piercing has come in yet." if edition.data_from is None else "There is not yet a whole week of data."
        return Context(not_yet=f"{why} The page fills as exports arrive.")
    lines = lines_of(edition, "all", "all")
    gaps = edition.results["record_gaps"].filter(pl.col("performed_on").is_between(monday, monday + timedelta(days=6)))
    figures = Figures()
    return Context(
        week=numbers.week(monday),
        through=data_through(edition),
        sentences=(what_changed(lines, monday), how_sure(edition), what_to_do(edition, gaps.height)),
        to_do=tuple(_to_do(edition, gaps)),
        figures=week_table(lines, monday, "weekly.csv", week_receipts(edition, "all", "all", monday)),
        charts=trade_figures(figures, lines, monday, "all branches"),
        moves=moves_table(edition),
        healing=complication_table(edition, "all", "all", "all branches", OWNERS_COMPLICATIONS),
        infections=infections_figure(figures, edition, None, "all branches"),
        branches=_branch_table(edition, monday),
    )


def data_through(edition: Edition) -> str:
    """To which day the data reaches, and how much of it was set aside."""
    refused = edition.results["rejected_rows"].select("file", "sha256", "table", "line").n_unique()
    aside = f"{words.plural(refused, 'row or file', 'rows or files')} set aside" if refused else "no row set aside"
    return f"Data through {numbers.day(edition.as_of)}; {aside}."


def _to_do(edition: Edition, gaps: pl.DataFrame) -> list[ToDo]:
    """What needs doing, most pressing first."""
    items = _calls(edition)
    items += [
        ToDo(
            f"Look into {without_person(finding)}: {words.COMPLICATION[finding.complication]}.",
            f"safety.html#{finding.identifier}",
            QUALITY,
            TODAY if finding.is_in_use else THIS_WEEK,
            f"{finding.use[0].upper()}{finding.use[1:]}.",
        )
        for finding in findings(edition)
    ]
    points = recent_points(edition).height
    if points:
        text = f"Look at {words.plural(points, 'recent point', 'recent points')} beyond a control limit."
        items.append(ToDo(text, "safety.html#points", QUALITY))
    items += [
        ToDo(
            f"Ask branch {isolated(branch)} for its exports.",
            "intake.html",
            OWNER,
            TODAY,
            f"{words.no_data_since(through).capitalize()}.",
        )
        for branch, through in silent_branches(edition)
    ]
    unreadable = _newly_unreadable(edition)
    if unreadable:
        text = f"Have {words.plural(len(unreadable), 'file')} sent again that could not be read."
        named = f"{', '.join(map(isolated, unreadable[:3]))}{', …' if len(unreadable) > 3 else ''}"
        items.append(ToDo(text, "intake.html", OWNER, note=named))
    items += [
        ToDo(
            f"Ask branch {isolated(branch)} why {change} clients answer than usual.",
            "safety.html#follow-up",
            OWNER,
            note=f"{counts}.",
        )
        for branch, change, counts in changed_answers(edition)
    ]
    items += _unusual_volumes(edition)
    items += _packs(edition)
    counts = dict(gaps.group_by("gap").len().iter_rows())
    if counts:
        kinds = (f"{numbers.count(counts[gap])} with {text}" for gap, text in words.GAP.items() if gap in counts)
        named = "; ".join(kinds)
        items.append(ToDo("Mend this week’s records.", "intake.html#gaps", BRANCHES, note=f"{named}."))
    return items


def _calls(edition: Edition) -> list[ToDo]:
    """The follow-ups due, with how many for each reason."""
    due = edition.results["calls"]
    if due.is_empty():
        return []
    counts = dict(due.group_by("reason").len().iter_rows())
    urgent = f", {numbers.count(counts[RED_FLAG])} of them for medical care today" if RED_FLAG in counts else ""
    reasons = "; ".join(
        f"{numbers.count(counts[reason])} {text}" for reason, text in IN_SHORT.items() if reason in counts
    )
    text = f"Make {words.plural(due.height, 'follow-up call')}{urgent}."
    return [ToDo(text, "#branches", BRANCHES, TODAY, f"{reasons}.")]


def _newly_unreadable(edition: Edition) -> list[str]:
    """Files of the last intake that could not be read, and that no later file of the same name has replaced."""
    intake = edition.results["intake"]
    latest = intake.filter(~pl.col("readable") & (pl.col("loaded_at") == pl.col("loaded_at").max()))
    replaced = intake.filter("readable")["file"].to_list()
    return [file for file in latest["file"] if file not in replaced]


def _unusual_volumes(edition: Edition) -> list[ToDo]:
    """What to ask about files of the last intake with far fewer or far more rows than usual; of many the first few."""
    last = edition.results["intake"].select(pl.max("loaded_at"))
    flagged = edition.results["file_volumes"].filter(pl.col("flag").is_not_null())
    flagged = flagged.join(last, on="loaded_at", how="semi", maintain_order="left")
    items = [
        ToDo(
            f"Ask branch {isolated(row['branch_id'])} whether its {row['table'].replace('_', '-')} "
            f"{'hold rows twice' if row['flag'] == 'many' else 'are whole'}.",
            "intake.html#volumes",
            OWNER,
            note=f"{words.plural(row['rows'], 'row')} for {_days(row['told_from'], row['told_to'])}, "
            f"where about {numbers.count(row['usual'])} are usual.",
        )
        for row in flagged.head(VOLUMES_NAMED).iter_rows(named=True)
    ]
    further = flagged.height - len(items)
    if further:
        text = f"Ask about {words.plural(further, 'further export')} with far fewer or far more rows than usual."
        items.append(ToDo(text, "intake.html#volumes", OWNER))
    return items


def _packs(edition: Edition) -> list[ToDo]:
    """Packs past their date, and those that will be before they are used, each by the branches that hold them."""
    packs = edition.results["packs"]
    is_over = pl.col("expires_on") < edition.as_of
    told = (
        (packs.filter(is_over), "Take {} past the date off the shelf.", TODAY),
        (packs.filter(~is_over), "Use first, or send on, {} that would expire unused within 90 days.", THIS_WEEK),
    )
    return [
        ToDo(
            text.format(words.plural(round(some["unused"].sum()), "pack")),
            f"branch/{numbers.page_link(some['branch_id'][0])}#packs",
            BRANCHES,
            by,
            f"{'; '.join(_lots_of(some))}.",
        )
        for some, text, by in told
        if not some.is_empty()
    ]


def _lots_of(packs: pl.DataFrame) -> list[str]:
    """Lots by branch with their packs and last days; of many the first few."""
    first = packs.sort("expires_on", "branch_id", "lot_no").head(PACKS_NAMED)
    named = [
        f"{isolated(branch)}: {numbers.count(unused)} of lot {isolated(lot)}, {numbers.short_day(expires_on)}"
        for branch, unused, lot, expires_on in first.select("branch_id", "unused", "lot_no", "expires_on").iter_rows()
    ]
    further = packs.height - len(named)
    return [*named, f"{words.plural(further, 'further lot')} on the branches’ pages"] if further > 0 else named


def _days(first: date, last: date) -> str:
    """One day, or the first and last of several."""
    return numbers.day(first) if first == last else f"{numbers.day(first)} to {numbers.day(last)}"


def _branch_table(edition: Edition, monday: date) -> Table:
    """Each branch's week in one row."""
    rates = edition.results["complication_rates"].filter(
        (pl.col("dimension") == "branch") & (pl.col("complication") == "infection")
    )
    by_branch = {row["level"]: row for row in rates.iter_rows(named=True)}
    own = edition.by_branch(("weekly", "attach", "revisits"))
    rows = []
    for branch, name, through in edition.results["branches"].select("branch_id", "name", "data_through").iter_rows():
        named = {line.name: line for line in lines_of(own(branch), "branch", branch)}
        visits = named[VISITS].values.get(monday, 0 if through and through >= monday else None)
        infection = rate_cells(edition, by_branch[branch]) if branch in by_branch else (numbers.NONE,) * 3
        rows.append(
            (
                Cell(name or branch, branch if name else "", f"branch/{numbers.page_link(branch)}"),
                Cell(numbers.count(visits), named[VISITS].in_words(monday)),
                numbers.share(named[BOUGHT].values.get(monday)),
                numbers.share(named[PROVIDED].values.get(monday)),
                infection[0],
                infection[2],
                numbers.short_day(through),
            )
        )
    heads = (
        "Branch",
        "Visits",
        "Bought aftercare",
        "Left with aftercare",
        "Infection in the year",
        "Reached",
        "Data through",
    )
    told = edition.results["weekly"].filter(pl.col("week") == monday)["branch_id"].sort().to_list()
    receipts = week_receipts(edition, "branch", told[0], monday) if told else ()
    return Table(f"Branches in the week {numbers.week(monday)}", heads, tuple(rows), "weekly.csv", receipts=receipts)
