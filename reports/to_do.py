"""What needs doing this week, by whom and when: the owner's short list."""

from dataclasses import dataclass, replace
from datetime import date

import polars as pl

from reports import numbers, words
from reports.call_words import IN_SHORT, RED_FLAG
from reports.edition import Edition
from reports.findings import findings, recent_points, silent_branches
from reports.locales import isolated
from reports.sections.follow_up import changed_answers
from reports.week_words import without_person

NAMED = 3
"""Branches, exports or lots of one kind that are named one by one."""
FINDINGS_NAMED = 8
_BRANCHES = ("further branch", "further branches")
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


def to_do(edition: Edition, gaps: pl.DataFrame) -> tuple[ToDo, ...]:
    """What needs doing, most pressing first; `gaps` are those of the week's records."""
    return (
        *_calls(edition),
        *_few(_findings(edition), "Look into {} on the watch.", "further finding", most=FINDINGS_NAMED),
        *_points(edition),
        *_few(_silent(edition), "Ask {} for their exports.", *_BRANCHES),
        *_unreadable(edition),
        *_few(_answers(edition), "Ask {} why fewer or more clients answer than usual.", *_BRANCHES),
        *_few(_volumes(edition), "Ask about {} with far fewer or far more rows than usual.", "further export"),
        *_packs(edition),
        *_records(gaps),
    )


def _few(items: list[ToDo], of_others: str, one: str, many: str | None = None, *, most: int = NAMED) -> list[ToDo]:
    """The first of items of one kind, and one that tells of the others, so that a large chain's list stays short."""
    others = items[most:]
    if not others:
        return items
    return [*items[:most], replace(others[0], text=of_others.format(words.plural(len(others), one, many)), note="")]


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


def _findings(edition: Edition) -> list[ToDo]:
    """Open incidents, and what stands out over the year."""
    return [
        ToDo(
            f"Look into {without_person(finding)}: {words.COMPLICATION[finding.complication]}.",
            f"safety.html#{finding.identifier}",
            QUALITY,
            TODAY if finding.is_in_use else THIS_WEEK,
            f"{finding.use[0].upper()}{finding.use[1:]}.",
        )
        for finding in findings(edition)
    ]


def _points(edition: Edition) -> list[ToDo]:
    """Recent points of control charts beyond a limit."""
    points = recent_points(edition).height
    if not points:
        return []
    text = f"Look at {words.plural(points, 'recent point', 'recent points')} beyond a control limit."
    return [ToDo(text, "safety.html#points", QUALITY)]


def _silent(edition: Edition) -> list[ToDo]:
    """Branches that sent nothing."""
    return [
        ToDo(
            f"Ask branch {isolated(branch)} for its exports.",
            "intake.html",
            OWNER,
            TODAY,
            f"{words.no_data_since(through).capitalize()}.",
        )
        for branch, through in silent_branches(edition)
    ]


def _unreadable(edition: Edition) -> list[ToDo]:
    """Files of the last intake that must be sent again."""
    files = _newly_unreadable(edition)
    if not files:
        return []
    text = f"Have {words.plural(len(files), 'file')} sent again that could not be read."
    named = f"{', '.join(map(isolated, files[:NAMED]))}{', …' if len(files) > NAMED else ''}"
    return [ToDo(text, "intake.html", OWNER, note=named)]


def _answers(edition: Edition) -> list[ToDo]:
    """Branches whose clients answer less or more often than before."""
    return [
        ToDo(
            f"Ask branch {isolated(branch)} why {change} clients answer than usual.",
            "safety.html#follow-up",
            OWNER,
            note=f"{counts}.",
        )
        for branch, change, counts in changed_answers(edition)
    ]


def _records(gaps: pl.DataFrame) -> list[ToDo]:
    """The week's records to be mended, with how many of each kind."""
    counts = dict(gaps.group_by("gap").len().iter_rows())
    if not counts:
        return []
    kinds = (f"{numbers.count(counts[gap])} with {text}" for gap, text in words.GAP.items() if gap in counts)
    return [ToDo("Mend this week’s records.", "intake.html#gaps", BRANCHES, note=f"{'; '.join(kinds)}.")]


def _newly_unreadable(edition: Edition) -> list[str]:
    """Files of the last intake that could not be read, and that no later file of the same name has replaced."""
    intake = edition.results["intake"]
    latest = intake.filter(~pl.col("readable") & (pl.col("loaded_at") == pl.col("loaded_at").max()))
    replaced = intake.filter("readable")["file"].to_list()
    return [file for file in latest["file"] if file not in replaced]


def _volumes(edition: Edition) -> list[ToDo]:
    """What to ask about files of the last intake with far fewer or far more rows than usual."""
    last = edition.results["intake"].select(pl.max("loaded_at"))
    flagged = edition.results["file_volumes"].filter(pl.col("flag").is_not_null())
    flagged = flagged.join(last, on="loaded_at", how="semi", maintain_order="left")
    return [
        ToDo(
            f"Ask branch {isolated(row['branch_id'])} whether its {row['table'].replace('_', '-')} "
            f"{'hold rows twice' if row['flag'] == 'many' else 'are whole'}.",
            "intake.html#volumes",
            OWNER,
            note=f"{words.plural(row['rows'], 'row')} for {_days(row['told_from'], row['told_to'])}, "
            f"where about {numbers.count(row['usual'])} are usual.",
        )
        for row in flagged.iter_rows(named=True)
    ]


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
    first = packs.sort("expires_on", "branch_id", "lot_no").head(NAMED)
    named = [
        f"{isolated(branch)}: {numbers.count(unused)} of lot {isolated(lot)}, {numbers.short_day(expires_on)}"
        for branch, unused, lot, expires_on in first.select("branch_id", "unused", "lot_no", "expires_on").iter_rows()
    ]
    further = packs.height - len(named)
    return [*named, f"{words.plural(further, 'further lot')} on the branches’ pages"] if further > 0 else named


def _days(first: date, last: date) -> str:
    """One day, or the first and last of several."""
    return numbers.day(first) if first == last else f"{numbers.day(first)} to {numbers.day(last)}"
