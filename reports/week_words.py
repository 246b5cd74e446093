"""The owner's three sentences: what changed, how sure that is, what to do. Short words, no method, no practitioner."""

from datetime import date, timedelta

import polars as pl

from reports import numbers, words
from reports.business import BOUGHT, VISITS, YEAR, Line
from reports.edition import Edition
from reports.findings import Finding, findings, silent_branches
from reports.locales import isolated


def what_changed(lines: list[Line], monday: date) -> str:
    """The week's visits, takings and aftercare beside the weeks before."""
    named = {line.name: line for line in lines}
    visits = named[VISITS]
    now = visits.values.get(monday)
    if now is None:
        return "No visit is recorded for this week."
    earlier = ((monday - timedelta(weeks=1), "the week before"), (monday - YEAR, "a year ago"))
    beside = [f"{numbers.change(now, before)} {when}" for day, when in earlier if (before := visits.values.get(day))]
    text = f"There {'was' if now == 1 else 'were'} {words.plural(int(now), 'visit')}"
    if beside:
        text += f", {' and '.join(beside)}"
    bought = named.get(BOUGHT)
    if bought and monday in bought.values:
        year_ago = bought.values.get(monday - YEAR)
        beside_it = "" if year_ago is None else f" ({numbers.share(year_ago)} a year ago)"
        share = numbers.share(bought.values[monday])
        text += f"; {share} of them bought aftercare{beside_it}, {bought.in_words(monday)}"
    return text + "."


def how_sure(edition: Edition) -> str:
    """Who was heard of, and how much of healing is known."""
    silent = silent_branches(edition)
    n_branches = edition.results["branches"].filter(pl.col("data_through").is_not_null()).height
    if silent:
        heard = f"{words.plural(len(silent), 'branch was', 'branches were')} not heard of lately"
    else:
        heard = "All branches were heard of" if n_branches > 1 else "The branch was heard of"
    infection = edition.results["complication_rates"].filter(
        (pl.col("dimension") == "all") & (pl.col("complication") == "infection")
    )
    if edition.is_too_early() or infection.is_empty():
        return f"{heard}; it is too early to say how piercings heal."
    if not infection["reached"][0]:
        return f"{heard}; but no answer of a client who was asked has come in, so how piercings heal is not known."
    return (
        f"{heard}; we asked and learned how {numbers.share(infection['coverage'][0])} of piercings healed, "
        "so more infections may exist than are known, and the last six weeks are still filling in."
    )


def what_to_do(edition: Edition, gaps: int) -> str:
    """The one thing to begin with."""
    found = findings(edition)
    if found:
        begin = "Begin with" if found[0].is_in_use else "Ask what was done about"
        return (
            f"{begin} {without_person(found[0])}: {_against(found[0])}. It is a reason to look, not proof of a cause."
        )
    silent = silent_branches(edition)
    if silent:
        branch, through = silent[0]
        since = f"nothing has come since {numbers.day(through)}" if through else "nothing has come yet"
        return f"Ask {isolated(branch)} for its exports: {since}."
    if gaps:
        return (
            f"Nothing stands out among what is known; {words.plural(gaps, 'gap')} in this week’s records can be closed."
        )
    return "Nothing stands out among what is known; keep asking clients how they heal."


def _against(finding: Finding) -> str:
    return (
        f"{words.COMPLICATION[finding.complication]} in {numbers.count(finding.observed)} of "
        f"{words.plural(finding.procedures, 'piercing')}, about {numbers.count(finding.expected)} expected"
    )


def without_person(finding: Finding) -> str:
    """A cause's name on pages that name no practitioner."""
    return unnamed(finding.dimension, finding.level)


def unnamed(dimension: str, level: str) -> str:
    """A slice's name where no practitioner is named."""
    parts = list(zip(dimension.split(":"), level.split(":"), strict=True)) if ":" in dimension else [(dimension, level)]
    others = [part for part in parts if part[0] != "practitioner"]
    if len(others) == len(parts):
        return words.named(dimension, level)
    groups = [f"{words.SITE_GROUP.get(group, group)} " for name, group in others if name == "site_group"]
    rest = [f", {words.named(*part)}" for part in others if part[0] != "site_group"]
    return f"one practitioner’s {''.join(groups)}piercings{''.join(rest)} (named on the watch)"
