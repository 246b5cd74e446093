"""The quality lead's mail: incidents that opened, each in words, none of them a finding."""

from collections.abc import Collection, Iterator
from dataclasses import dataclass, replace
from typing import Any

import polars as pl

from reports import numbers, words
from reports.edition import Edition
from reports.findings import Finding, incidents
from reports.incident_weeks import incident_figure
from reports.locales import written_in
from reports.mail.letter import Letter, Picture, letter, picture
from reports.parts import Figures
from reports.readers.declared import BY_MAIL
from reports.readers.filtering import edition_for
from reports.week_words import unnamed

MOST_TOLD, MOST_PICTURES = 20, 3
"""Incidents that a mail tells of, and those of them that have a picture: the watch has all."""


@dataclass(frozen=True)
class Told:
    """An incident: its title, what is known of it, and its weeks."""

    title: str
    lines: tuple[str, ...]
    picture: Picture | None


@dataclass(frozen=True)
class Context:
    """The mail's content."""

    title: str
    incidents: tuple[Told, ...]
    further: str
    to_do: tuple[str, ...]
    pictures: tuple[Picture, ...]
    cautions: tuple[str, ...]


def incidents_letter(edition: Edition, opened: Collection[str]) -> Letter | None:
    """The mail of incidents with these ids; None where the edition has none of them."""
    new = edition.results["incidents"].filter(pl.col("incident_id").is_in(list(opened)))
    seen = edition_for(replace(edition, results=edition.results | {"incidents": new}), BY_MAIL)
    found = incidents(seen)
    if not found:
        return None
    with written_in(edition.locale):
        return _letter(seen, found)


def _letter(seen: Edition, found: list[Finding]) -> Letter:
    told = tuple(_told(seen, found[:MOST_TOLD]))
    further = len(found) - len(told)
    title = f"{words.plural(len(found), 'incident')} opened"
    context = Context(
        title=title,
        incidents=told,
        further=f"The watch has {words.plural(further, 'further one', 'further ones')}." if further else "",
        to_do=tuple(_to_do(found)),
        pictures=tuple(one.picture for one in told if one.picture),
        cautions=(words.CAUTION_SIGNAL, words.CAUTION_RED_FLAGS, words.CAUTION_ADVICE),
    )
    return letter("incidents", context, seen, subject=title)


def _told(edition: Edition, found: list[Finding]) -> Iterator[Told]:
    rows = {row["incident_id"]: row for row in edition.results["incidents"].iter_rows(named=True)}
    with_weeks = set(edition.results["incident_weeks"]["incident_id"])
    pictured = [one.identifier for one in found if one.identifier in with_weeks][:MOST_PICTURES]
    figures = Figures()
    for one in found:
        name = unnamed(one.dimension, one.level)
        times = f"{numbers.tenth(one.ratio)} times what was expected" if one.ratio else "more than was expected"
        yield Told(
            title=f"{name[0].upper()}{name[1:]}: {words.COMPLICATION[one.complication]}, {times}",
            lines=tuple(_lines(one, rows[one.identifier])),
            picture=picture(incident_figure(figures, edition, one)) if one.identifier in pictured else None,
        )


def _lines(found: Finding, row: dict[str, Any]) -> Iterator[str]:
    """What is known of an incident, and what speaks against it."""
    yield (
        f"Known so far: {numbers.count(found.observed)} of {words.plural(found.procedures, 'piercing')} made from "
        f"{numbers.day(found.used_from)} on; about {numbers.tenth(found.expected)} were expected by now."
    )
    if found.ratio:
        within = numbers.ratio_range(found.ratio_low, found.ratio_high)
        yield f"The true ratio most likely lies within {within} (95 %)."
    yield (
        f"{numbers.count(row['still_exposed'])} of these piercings are still inside their window and not heard of; "
        f"{found.use}."
    )
    likeliest = unnamed(row["cause_dimension"], row["cause_level"])
    if likeliest != unnamed(found.dimension, found.level):
        yield f"Likeliest behind it: {likeliest}."
    yield from (words.AGAINST[reason] for reason in (row["against"] or "").split(";") if reason)
    if row["provisional"]:
        yield "Provisional: the chain has too little history for thresholds of its own."


def _to_do(found: list[Finding]) -> Iterator[str]:
    """What to do next."""
    yield "Open the watch on the published pages: it has what may be behind each, week by week."
    if any(not one.is_person_or_place for one in found):
        yield "See with scapha trace who was exposed and not asked yet; the branches’ call lists have them too."
    yield "Write down what you find with scapha signals note, also where it is nothing."
