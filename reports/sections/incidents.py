"""Open incidents as the quality lead reads them, the slices that are quiet, and the false alarms that are accepted."""

from dataclasses import dataclass, replace
from datetime import timedelta
from typing import Any

import polars as pl

from reports import numbers, words
from reports.edition import Edition
from reports.findings import Finding, incidents
from reports.incident_weeks import incident_figure
from reports.parts import Cell, Figure, Figures, Table

LISTED_FAMILIES = ("all", "branch", "site_group", "material")
HISTORY_DAYS = 364
TOLD, DRAWN = 40, 8
"""Incidents that the watch tells of, and those of them with weeks and explanations: a page must open on a phone."""
NO_WEEKS = "No piercing of the last half year met it, so there are no weeks to draw."


@dataclass(frozen=True)
class Incident:
    """An open incident: in words, with its weeks as a chart if there are any, and what may be behind it.

    Of many incidents only the first have these two.
    """

    identifier: str
    title: str
    lines: tuple[str, ...]
    figure: Figure | None
    explanations: Table | None
    detail: str


def incidents_words(edition: Edition) -> str:
    """How many incidents are open."""
    found = incidents(edition)
    if not found:
        return (
            "No incident is open. Nothing that the watch follows has more complications than expected by now, beyond "
            "what chance does from time to time."
        )
    still = sum(one.is_in_use for one in found)
    concern = words.plural(still, "concerns", "concern")
    said = f"{words.plural(len(found), 'incident is', 'incidents are')} open; {concern} piercings made lately."
    if len(found) > DRAWN:
        said += (
            f" The first {numbers.count(DRAWN)} are told with their weeks and what may be behind them; of more than "
            f"{numbers.count(TOLD)} only so many stand here, and scapha signals lists all."
        )
    return said


def told_incidents(figures: Figures, edition: Edition) -> tuple[Incident, ...]:
    """Open incidents, in the order of `incidents`; of very many the first."""
    rows = {row["incident_id"]: row for row in edition.results["incidents"].iter_rows(named=True)}
    found = incidents(edition)[:TOLD]
    whole = (_told(figures, edition, one, rows[one.identifier]) for one in found[:DRAWN])
    return (*whole, *(_in_words(one, rows[one.identifier]) for one in found[DRAWN:]))


def _told(figures: Figures, edition: Edition, found: Finding, row: dict[str, Any]) -> Incident:
    """An incident with its weeks and what may be behind it."""
    told = _in_words(found, row)
    has_weeks = found.identifier in edition.results["incident_weeks"]["incident_id"]
    return replace(
        told,
        lines=(*told.lines, *(() if has_weeks else (NO_WEEKS,))),
        figure=incident_figure(figures, edition, found) if has_weeks else None,
        explanations=_explanations(edition, found),
    )


def _in_words(found: Finding, row: dict[str, Any]) -> Incident:
    name = found.name[0].upper() + found.name[1:]
    times = f"{numbers.tenth(found.ratio)} times what was expected" if found.ratio else "more than was expected"
    return Incident(
        identifier=found.identifier,
        title=f"{name}: {words.COMPLICATION[found.complication]}, {times}",
        lines=tuple(_lines(found, row)),
        figure=None,
        explanations=None,
        detail=(
            f"Incident {found.identifier}, {words.plural(row['signals'], 'signal')}, opened on "
            f"{numbers.day(row['opened_on'])}; {words.STATE[row['state']]}. A note is made with scapha signals note."
        ),
    )


def _lines(found: Finding, row: dict[str, Any]) -> list[str]:
    known = f"{found.sentence} by now, counting piercings from {numbers.day(found.used_from)} on."
    if found.ratio:
        known += (
            f" The true ratio most likely lies within {numbers.ratio_range(found.ratio_low, found.ratio_high)} (95 %)."
        )
    exposed = (
        f"Of {words.plural(row['exposed'], 'piercing')}, {numbers.count(row['still_exposed'])} are still inside their "
        f"window and not heard of; {found.use}."
    )
    likeliest = words.named(row["cause_dimension"], row["cause_level"])
    lines = [known, exposed]
    if likeliest != found.name:
        lines.append(f"Likeliest behind it: {likeliest}.")
    lines += [words.AGAINST[reason] for reason in (row["against"] or "").split(";") if reason]
    if row["provisional"]:
        lines.append("Provisional: the chain has too little history for thresholds of its own.")
    return lines


def _explanations(edition: Edition, found: Finding) -> Table:
    rows = tuple(
        (
            words.named(row["dimension"], row["level"]),
            numbers.count(row["observed"]),
            numbers.tenth(row["expected"]),
            numbers.share(row["share"]),
            _likelihood(row["evidence"]),
        )
        for row in edition.results["explanations"]
        .filter(pl.col("incident_id") == found.identifier)
        .iter_rows(named=True)
    )
    heads = ("What may be behind it", "Known cases", "Expected", "Part of the excess", "Speaks for it")
    caption = f"What may be behind {words.COMPLICATION[found.complication]} after {found.name}, the likeliest first"
    return Table(caption, heads, rows, "explanations.csv", ends_in_words=True)


def _likelihood(evidence: float) -> str:
    """Evidence in words, by steps of the natural logarithm of the Bayes factor (Kass and Raftery 1995, from memory)."""
    steps = ((5.0, "very strongly"), (3.0, "strongly"), (1.0, "somewhat"))
    return next((word for least, word in steps if evidence >= least), "hardly")


def slices_table(edition: Edition) -> Table:
    """Infection in the chain, its branches, sites and materials tonight: the last half year, quiet or not."""
    rows = tuple(
        (
            Cell(words.named(row["dimension"], row["level"]), is_marked=_is_beyond(row)),
            numbers.count(row["observed"]),
            numbers.tenth(row["expected"]),
            "beyond" if _is_beyond(row) else "quiet",
        )
        for row in edition.results["watched_slices"]
        .filter((pl.col("complication") == "infection") & pl.col("dimension").is_in(LISTED_FAMILIES))
        .iter_rows(named=True)
    )
    heads = ("Where", "Infected", "Expected by now", "Tonight")
    return Table("Infection in the last half year", heads, rows, "watched_slices.csv", ends_in_words=True)


def _is_beyond(row: dict[str, Any]) -> bool:
    return row["evidence"] is not None and row["evidence"] >= row["threshold"]


def budget_words(edition: Edition) -> tuple[str, ...]:
    """The false alarms that are accepted, and the incidents there were."""
    thresholds = edition.results["thresholds"].filter(pl.col("complication") == "infection")
    if thresholds.is_empty() or edition.as_of is None:
        return ()
    newest = thresholds.filter(pl.col("holds_from") == pl.col("holds_from").max()).row(0, named=True)
    signals = edition.results["signals"].filter(
        (pl.col("complication") == "infection") & (pl.col("raised_on") > edition.as_of - timedelta(days=HISTORY_DAYS))
    )
    opened = signals["incident_id"].n_unique()
    chance = signals.filter(pl.col("state") == "chance")["incident_id"].n_unique()
    if newest["simulated_a_year"] is not None:
        rests = (
            f"thresholds hold from {numbers.day(newest['holds_from'])}, solved on invented years of this chain’s own "
            f"piercings in which nothing was amiss; those had {numbers.tenth(newest['simulated_a_year'])} a year"
        )
    else:
        rests = "thresholds are set by the chain’s size until it has half a year of its own records"
    return (
        f"Accepted false alarms of infection: {numbers.plain(newest['budget'])} a year; {rests}.",
        f"In the last year {words.plural(opened, 'incident', 'incidents')} of infection opened, "
        f"{numbers.count(chance)} of them put down to chance since."
        if opened
        else "In the last year no incident of infection opened.",
    )
