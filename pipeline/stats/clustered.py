"""Proportions where several ears belong to one client: they fare alike, so they tell less than their number.

Of ears: the plain interval counts each as a client of its own; the one that knows of clients is to be read where many
have several. Of clients: those with an event in at least one ear.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from pipeline.stats.arguments import FloatArray, counts, not_above, row, same_shape
from pipeline.stats.intervals import Interval, wilson, wilson_effective
from pipeline.stats.method import Method


@dataclass(frozen=True, eq=False)
class EarProportion:
    """The share of ears with an event, and its interval with and without regard to whose they are.

    `design_effect` is how many ears are worth one that is a client's only one. The share and the plain interval are NaN
    without ears, the design effect and the clustered interval with fewer than two clients.
    """

    share: float
    plain: Interval
    design_effect: float
    clustered: Interval


@dataclass(frozen=True, eq=False)
class ClientProportion:
    """The share of clients with an event in at least one ear, and its interval; NaN without clients."""

    share: float
    interval: Interval


def ear_proportion(events: ArrayLike, ears: ArrayLike) -> EarProportion:
    """Share of ears with an event from totals of clients: `events` among the `ears` of each.

    The clustered interval is Wilson's of x / d among n / d ears, d the design effect. Clients without ears take no
    part. The design effect is itself an estimate: where only a handful of clients have an event and their ears are
    much alike, the interval covers 0.91 instead of 0.95 (see the tests). Source: Rao JNK, Scott AJ (1992), A simple
    method for the analysis of clustered binary data, Biometrics 48:577-585 (from memory).

    Raises ValueError where `events` and `ears` are not rows of whole numbers of 0 or more, lengths differ, or a
    client's events exceed the ears.
    """
    x, n = _clients(events, ears)
    effect = _design_effect(x, n)
    return EarProportion(
        float(x.sum() / n.sum()) if n.size else np.nan,
        wilson(x.sum(), n.sum()),
        effect,
        # Without a design effect nothing is known, which is what 0 ears give.
        wilson_effective(x.sum() / effect, n.sum() / effect) if effect > 0 else wilson_effective(0, 0),
    )


def client_proportion(events: ArrayLike, ears: ArrayLike) -> ClientProportion:
    """Share of clients with an event in at least one ear, from the same totals; clients without ears take no part.

    Raises ValueError as `ear_proportion`.
    """
    x, n = _clients(events, ears)
    affected = (x > 0).sum()
    return ClientProportion(float(affected / n.size) if n.size else np.nan, wilson(affected, n.size))


def _clients(events: ArrayLike, ears: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """The totals of clients with ears."""
    x, n = same_shape(events=row("events", counts("events", events)), ears=row("ears", counts("ears", ears)))
    not_above("events", x, "ears", n)
    return x[n > 0], n[n > 0]


def _design_effect(x: FloatArray, n: FloatArray) -> float:
    """Variance of the share as a ratio of client totals, over p (1 - p) / n; never below 1; NaN below two clients.

    Where no ear or every ear has an event, nothing is seen of how alike a client's ears are. They then count as wholly
    alike, which is sum n_i^2 / sum n: the careful choice, so that none in 200 ears of 100 clients is not taken for
    none in 200 clients. The price is that the interval may be wider at no events than at one.
    """
    clients, total = n.size, n.sum()
    if clients < 2:
        return np.nan
    share = x.sum() / total
    if share in (0, 1):
        return float((n**2).sum() / total)
    variance = clients / (clients - 1) * ((x - n * share) ** 2).sum() / total**2
    return max(1.0, float(variance * total / (share * (1 - share))))


METHODS = (
    Method(
        identifier="ear_proportion",
        name="Proportion of ears with several ears to a client",
        functions=("ear_proportion",),
        says="How sure a share of ears is where a client's ears fare alike. Not given below two clients. Where no ear "
        "or every ear has an event, a client's ears count as wholly alike. In simulations of 120 clients with one to "
        "four ears, a share of 0.15 and a correlation of 0.6 within clients, it covers 0.95, the plain interval 0.81; "
        "with a share of 0.02 and a correlation of 0.7, 0.91 and 0.79.",
        formula="d = n v / (p (1 - p)), at least 1, with v = m / (m - 1) sum (x_i - n_i p)^2 / n^2 over m clients; "
        "Wilson's interval of x / d among n / d",
        source="Rao JNK, Scott AJ (1992), A simple method for the analysis of clustered binary data, Biometrics "
        "48:577-585 (from memory)",
        checks=(
            "test_clustered::test_design_effect_equals_a_cluster_robust_variance",
            "test_clustered::test_covers_where_the_plain_interval_does_not",
        ),
    ),
    Method(
        identifier="client_proportion",
        name="Proportion of clients with an event",
        functions=("client_proportion",),
        says="The share of clients with an event in at least one ear. Each client counts once, so nothing needs to be "
        "known of how alike ears are; but clients with more ears have more chances.",
        formula="Wilson's interval of clients with an event among clients",
        source="Wilson EB (1927), Probable inference, the law of succession, and statistical inference, Journal of the "
        "American Statistical Association 22:209-212",
        checks=("test_clustered::test_clients_count_once",),
    ),
)
"""What this module offers."""
