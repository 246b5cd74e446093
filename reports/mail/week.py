"""The owner's mail: the week in short, and the owner's whole edition as a file."""

from dataclasses import dataclass
from datetime import date, timedelta

from reports import words
from reports.business import YEAR, last_complete_week, lines_of
from reports.edition import Edition
from reports.locales import written_in
from reports.mail.letter import Attached, Letter, Picture, letter, picture
from reports.one_file import as_one_file
from reports.pages import index
from reports.parts import Cell, Table
from reports.readers.declared import OWNER
from reports.readers.filtering import edition_for
from reports.to_do import ToDo


@dataclass(frozen=True)
class Context:
    """The mail's content."""

    week: str
    through: str
    sentences: tuple[str, ...]
    to_do: tuple[ToDo, ...]
    figures: Table
    pictures: tuple[Picture, ...]
    cautions: tuple[str, ...]


def week_letter(edition: Edition) -> Letter | None:
    """The mail of the week that the owner's page tells of; None where there is no whole week yet."""
    monday = last_complete_week(edition)
    if monday is None:
        return None
    with written_in(edition.locale):
        return _letter(edition, monday)


def _letter(edition: Edition, monday: date) -> Letter:
    seen = edition_for(edition, OWNER)
    page = index.build(seen)
    subject = f"The week {page.week}"
    name = f"owner-{monday + timedelta(days=6)}.html"
    shown = [figure for figure in (*page.charts[:1], page.infections) if figure]
    context = Context(
        week=page.week,
        through=page.through,
        sentences=page.sentences,
        to_do=page.to_do,
        figures=_figures(seen, monday),
        pictures=tuple(map(picture, shown)),
        cautions=(words.CAUTION_SIGNAL, words.CAUTION_RED_FLAGS, words.CAUTION_ADVICE),
    )
    attached = Attached(name, as_one_file(edition, OWNER, subject))
    return letter("week", context, edition, subject=subject, attached=attached)


def _figures(edition: Edition, monday: date) -> Table:
    """The week's figures in few columns, as mail readers set no wide table for a phone."""
    weeks = (monday, monday - timedelta(weeks=1), monday - YEAR)
    rows: tuple[tuple[Cell | str, ...], ...] = tuple(
        (
            Cell(line.name, "; ".join(note for note in (line.notes.get(monday), line.in_words(monday)) if note)),
            *(line.write(line.values.get(week)) for week in weeks),
        )
        for line in lines_of(edition, "all", "all")
    )
    return Table("Each beside the weeks before", ("", "This week", "Week before", "A year ago"), rows)
