"""Every definition, formula, source and caution behind the figures."""

from collections.abc import Mapping
from dataclasses import dataclass

from pipeline.contract import vocabulary as v
from pipeline.results import RESULTS, Result
from pipeline.stats import chart_choice, delay, funnel, rare, standardise
from pipeline.stats.catalogue import catalogue
from pipeline.stats.method import Method
from reports import numbers, words
from reports.edition import Edition
from reports.parts import Cell, Table
from reports.readers.filtering import PublishedTable
from reports.sections.watch_methods import WATCH_METHODS

READS = ()


@dataclass(frozen=True)
class Entry:
    """A definition, or what a figure is made by: its name, what it says, and the library's methods behind it."""

    identifier: str
    name: str
    says: str
    methods: tuple[Cell, ...] = ()


@dataclass(frozen=True)
class Listed:
    """A method of the library as it is listed."""

    identifier: str
    name: str
    says: str
    formula: str
    source: str
    checks: str


@dataclass(frozen=True)
class Context:
    """The page's content."""

    span: str
    definitions: tuple[Entry, ...]
    methods: tuple[Entry, ...]
    library: tuple[Listed, ...]
    windows: Table
    tables: Table
    cautions: tuple[str, ...]


def build(edition: Edition, tables: Mapping[str, PublishedTable] | None = None) -> Context:
    """The methods behind an edition; `tables` are those published with it, by default every result."""
    adult = edition.adult_age
    span = (
        f"The data covers {numbers.day(edition.data_from)} to {numbers.day(edition.as_of)}."
        if edition.data_from
        else "No piercing has come in yet."
    )
    return Context(
        span=span,
        definitions=_definitions(adult),
        methods=(*_methods(), *(Entry(name, title, says, _made_by(*by)) for name, title, says, by in WATCH_METHODS)),
        library=tuple(_listed(method) for method in catalogue()),
        windows=_windows(),
        tables=_tables({result.name: result for result in RESULTS} if tables is None else tables),
        cautions=(words.CAUTION_SIGNAL, words.CAUTION_RED_FLAGS, words.CAUTION_ADVICE),
    )


def _tables(tables: Mapping[str, PublishedTable] | Mapping[str, Result]) -> Table:
    """Every published table, so that each can be found and read without these pages."""
    rows = tuple(
        (Cell(f"{name}.csv", link=f"tables/{name}.csv"), table.sentence, ", ".join(table.grain))
        for name, table in tables.items()
    )
    return Table("Tables, and what each holds", ("Table", "What it holds", "Told apart by"), rows, n_text=3)


def _windows() -> Table:
    rows = tuple(
        (
            complication.words.capitalize(),
            f"0 to {complication.window_days}",
            f"{-(-complication.window_days // 5)} to {complication.window_days + v.REPORTING_LAG_DAYS}",
            f"{complication.window_days + v.REPORTING_LAG_DAYS}",
        )
        for complication in v.COMPLICATIONS
    )
    heads = (
        "Complication",
        "Days in which an onset counts",
        "Days in which an answer counts as reached",
        "Old enough after",
    )
    return Table("Days after the piercing", heads, rows)


def _definitions(adult_age: int) -> tuple[Entry, ...]:
    return (
        Entry("piercing", "Completed piercing", "A hole whose record says completed, or says nothing of its status."),
        Entry(
            "visit",
            "Visit",
            "One client’s stay: its completed piercings. Its day, branch and practitioner are those of the first of "
            "them.",
        ),
        Entry(
            "as-of",
            "As-of date",
            "Everything counts only what was recorded on that day or earlier. By default it is the newest day any row "
            "tells of, never the clock. Days are local days of the branch.",
        ),
        Entry(
            "old-enough",
            "Old enough (mature)",
            f"Performed at least the window and {v.REPORTING_LAG_DAYS} days before the as-of date, so that reports "
            f"have had time to come in. Rates count the {v.RATE_PERIOD_DAYS} days that end there. With less data "
            "behind it than that, a page says “not yet”.",
        ),
        Entry(
            "event",
            "Event",
            "A completed piercing with at least one report of the complication, or of one of its group, whose onset "
            "lies in the window. Onset is the day recorded, else the day of contact. One piercing is at most one "
            "event.",
        ),
        Entry(
            "attributed",
            "Attributed",
            "A report that names no piercing goes to the one of its visit that matches the ear and site it names, "
            "the first in text order if several do. The column attributed counts events known only so.",
        ),
        Entry(
            "reached",
            "Reached, coverage",
            "A piercing whose visit the branch itself asked after and got an answer, in days that let the answer "
            "vouch for the window. Coverage is the share reached. A client who tells unasked is an event, but not "
            "reached.",
        ),
        Entry(
            "attach",
            "Bought aftercare, left with aftercare",
            f"Bought: aftercare of type sale, less refunds up to {v.REFUND_DAYS} days later, comes to more than "
            "nothing. Left with: gifts and parts of bundles count too, so a change of price list or bundle does not "
            "look like a loss.",
        ),
        Entry(
            "due",
            "Due revisit",
            "Every revisit that has started and was neither cancelled early nor moved. One still booked once its "
            "start has passed counts as unknown, never as kept.",
        ),
        Entry(
            "volumes",
            "Far fewer or far more rows than usual",
            "A file’s rows of a branch, by the days they were recorded on, against the median of the branch’s last 28 "
            "files of that table. Flagged is what is more than 5 times that, or less than a fifth of it, and at least "
            "10 rows away; with fewer than 7 files before it nothing is. The limits are chosen, from no source. A "
            "flagged file is taken in all the same.",
        ),
        Entry(
            "gaps",
            "Record gaps",
            f"Of completed piercings of the last {v.RATE_PERIOD_DAYS} days. A minor is below {adult_age} years by the "
            "settings; local law may say otherwise.",
        ),
        Entry(
            "receipts",
            "Records behind a figure (receipts)",
            "The command scapha explain shows which piercings, visits, revisits or receipt lines a figure counts, what "
            "each goes by, from which line of which file, and why others are left out: not completed, not old enough, "
            "superseded by a later version, refused, delivered twice. A figure is named by its table and the columns "
            "that tell its row apart, as the list of tables below has them: weekly/week=2031-05-05,branch_id=B01. "
            "Beside a table stands one of its figures; another is asked for with its own values. Without a name the "
            "command lists what can be asked. What it shows is for inside the company.",
        ),
        Entry(
            "week",
            "Week",
            "Monday to Sunday, named by its Monday. Piercings and infections stand in the week of the piercing, "
            "sales in that of the sale, revisits in that of their start.",
        ),
    )


def _made_by(*identifiers: str) -> tuple[Cell, ...]:
    """Links to methods of the library."""
    names = {method.identifier: method.name for method in catalogue()}
    return tuple(Cell(names[identifier], link=f"#method-{identifier}") for identifier in identifiers)


def _listed(method: Method) -> Listed:
    """A method with its checks in words: the names of tests are sentences."""
    checks = "; ".join(check.partition("::")[2].removeprefix("test_").replace("_", " ") for check in method.checks)
    return Listed(f"method-{method.identifier}", method.name, method.says, method.formula, method.source, f"{checks}.")


def _methods() -> tuple[Entry, ...]:
    return (
        Entry(
            "share",
            "Interval of a share",
            "Where the true share most likely lies: the two-sided 95 % score interval without continuity "
            "correction. It shows an estimate; it is no limit for judging a point.",
            _made_by("wilson"),
        ),
        Entry(
            "clients",
            "Shares by client",
            "Piercings of one client fare alike. The interval that knows of clients counts them as fewer, by the "
            "design effect found in the data, and the share of clients counts each once. A piercing without a "
            "client’s key goes by its visit.",
            _made_by("ear_proportion", "client_proportion"),
        ),
        Entry(
            "reference",
            "What is usual: the reference period",
            "Piercings performed up to 56 days before the as-of date, at most three years of them. What is new does "
            "not judge itself.",
        ),
        Entry(
            "delays",
            "How late infections become known",
            "The days from piercing to first record of the infection. Long delays of recent piercings cannot have "
            "been seen yet; the estimate allows for that. At each delay it is drawn towards an assumed distribution "
            f"(half known within 10 days, nine in ten within 24) that counts as {delay.PRIOR_EVENTS:g} infections; "
            "that is an assumption, not from data, and soon outweighed.",
            _made_by("reporting_delay"),
        ),
        Entry(
            "expected",
            "Infections expected so far",
            "Each piercing counts the infection rate of its site group and age band in the reference period, times "
            "the share of infections that are known by its age.",
            _made_by("standardised_ratio", "reporting_delay"),
        ),
        Entry(
            "completion",
            "Weeks once all is known",
            "What a recent week will have is judged from its own infections: as many as are known, divided by the "
            "share that is known by the age of its piercings. Below a share of 20 % nothing is said; from 99 % on a "
            "week stands as known. Completing at the usual rate instead would hide a rise that has begun. The limits "
            "take the delays as known and infections as independent: where several hang together, they are too "
            "narrow.",
            _made_by("completion", "reporting_delay"),
        ),
        Entry(
            "by-week",
            "Control chart by week",
            f"Where a typical week of the baseline expects {chart_choice.LEAST_EXPECTED:g} infections or more. The "
            "centre is the baseline’s rate. Limits step with the week’s piercings, and are widened where weeks of the "
            "baseline clearly vary by more than chance; a point on a limit is not beyond it.",
            _made_by("chart_choice", "p_chart", "widened_p_chart", "laney"),
        ),
        Entry(
            "per-five",
            "Control chart of piercings per five infections",
            f"Where weeks expect fewer. Each point is the number of piercings it took to meet {rare.EVENTS} "
            "infections; a low point is a rise. A single gap between infections could not show one: its lower limit "
            "would lie at no piercing at all. Where not even one infection in four weeks is expected, five would take "
            "too long: then piercings from infection to infection are charted, and several short ones in a row show a "
            "rise.",
            _made_by("chart_choice", "count_to_events"),
        ),
        Entry(
            "frozen",
            "Frozen baselines and phases of a control chart",
            "The rate of the first 26 weeks with piercings, lengthened by 26 until it holds 10 infections; before that "
            "there is no chart. Nothing newer enters it. Where something changes for good, the settings declare a "
            "phase with its reason, and a new baseline begins; until it is whole the one before stays in force. "
            "Corrections move a baseline only if they are of its own weeks.",
            _made_by("phases"),
        ),
        Entry(
            "run-rules",
            "Run rules of a control chart",
            f"Set beforehand: {', '.join(chart_choice.RUN_RULES)}. Near a limit: two thirds of the way or further, by "
            "its chance. A rule looks at points old enough, of one phase, on the scale of their chances, so that few "
            "events do not make it alarm more often than it says, as long as the baseline’s rate is the true one. It "
            "marks a point and raises no signal.",
            _made_by("run_rules", "tail_scores"),
        ),
        Entry(
            "onsets",
            "When complications begin",
            f"Piercings are followed for {v.ONSET_DAYS} days, or as far as reports have had time to tell of. Each "
            "counts for the complication it met first; then it can meet none first any more. A stud taken out with no "
            "complication before ends what it could lead to, from the contact that tells of it; one taken out for a "
            "complication counts as that, and a lost one as lost. What nobody told is not known, so shares are lower "
            "bounds.",
            _made_by("cumulative_incidence"),
        ),
        Entry(
            "bounds",
            "What clients not reached could change",
            "The share of all piercings if none of those not reached had been infected but those who told unasked, "
            "and if all of them had. Nothing is assumed, so the two lie far apart where few are reached.",
            _made_by("follow_up_bounds"),
        ),
        Entry(
            "comparison",
            "Branches side by side",
            "Expected: the chain’s rate by site group and age band, times the branch’s own piercings. No ratio where "
            f"fewer than {standardise.LEAST_EXPECTED:g} is expected. The funnel’s limits are where chance alone would "
            "put a branch; they are prediction limits, not confidence intervals, and are not widened for other "
            "differences between branches.",
            _made_by("standardised_ratio", "poisson_exact", "poisson_funnel"),
        ),
        Entry(
            "regression",
            "Case mix by regression",
            "The same ratio where the risk of each stratum comes from a model in which site group and age band act "
            "each for itself. A stratum with few piercings then leans on its neighbours. Where the two ratios differ,"
            " the strata are too small to tell. Material is no part of case mix, since the branch chooses it. "
            "Piercings in groups of equal predicted risk show whether the risks hold.",
            _made_by("case_mix", "calibration"),
        ),
        Entry(
            "shrunk",
            "Drawn towards the mean",
            "A ratio from few cases is drawn towards the chain’s, by as much as it is uncertain: the extreme of many "
            "small branches is mostly luck.",
            _made_by("marshall"),
        ),
        Entry(
            "beyond-chance",
            "Differences beyond chance",
            "Branches differ by more than case mix and chance: by what nobody recorded. How much is estimated from "
            "those that may be compared, and limits widened by it stand beside those of chance, in columns of their "
            "own. The chance that a branch is truly a quarter above the mean takes that spread as what is usual.",
            _made_by("overdispersion", "gamma_poisson", "posterior"),
        ),
        Entry(
            "comparable",
            "May be compared",
            "A branch that does not ask after its clients is not set beside branches that do, nor one whose coverage "
            "is below half or above twice the others’ median: it would look better or worse by its asking alone. "
            "Better follow-up makes it comparable.",
        ),
        Entry(
            "causes",
            "Possible causes",
            "For each lot, aftercare batch, article, material, practitioner, practitioner with site group, and "
            "branch: events against what piercings of the same site group, age band and follow-up had. The one "
            "furthest beyond chance is told; its piercings are then taken out of all others, and the rest is judged "
            f"again. So a bad lot does not accuse the branch that used it. At least {funnel.LEAST_EXPECTED:g} must be "
            f"expected and {funnel.LEAST_OBSERVED} observed.",
            _made_by("stepwise_excess"),
        ),
    )
