"""client_shares.csv: complications by client, piercings without a client's key by visit."""

from collections import defaultdict
from math import sqrt

from .intervals import Z, share, wilson
from .slices import Facts
from .words import Row

WATCHED = ("infection", "contact_allergy", "embedded_stud", "excess_bleeding")


def client_shares(facts: Facts) -> list[Row]:
    return [row for name in WATCHED if (row := by_client(facts, name)) is not None]


def by_client(facts: Facts, complication: str) -> Row | None:
    clients: dict[tuple[str | None, str], list[bool]] = defaultdict(list)
    for piercing in facts.mature(complication):
        key = piercing.row["client_key"]
        clients[key, "" if key else piercing.visit_id].append(facts.is_event(complication, piercing))
    if not clients:
        return None
    ears = [len(own) for own in clients.values()]
    events = [sum(own) for own in clients.values()]
    total, infected, affected = sum(ears), sum(events), sum(one > 0 for one in events)
    effect = design_effect(events, ears)
    low, high = wilson(infected, total)
    clustered = effective_wilson(infected / effect, total / effect) if effect else (None, None)
    client_low, client_high = wilson(affected, len(ears))
    return {
        "complication": complication,
        "procedures": total,
        "events": infected,
        "rate": share(infected, total),
        "wilson_low": low,
        "wilson_high": high,
        "design_effect": effect,
        "clustered_low": clustered[0],
        "clustered_high": clustered[1],
        "clients": len(ears),
        "clients_with": affected,
        "client_rate": share(affected, len(ears)),
        "client_low": client_low,
        "client_high": client_high,
    }


def design_effect(events: list[int], ears: list[int]) -> float | None:
    """Give the variance of the share by clients over that by ears; wholly alike where none or all have an event."""
    clients, total = len(ears), sum(ears)
    if clients < 2:
        return None
    p = sum(events) / total
    if p in (0, 1):
        return sum(n * n for n in ears) / total
    between = sum((x - n * p) ** 2 for x, n in zip(events, ears, strict=True))
    return max(1.0, clients / (clients - 1) * between / total**2 / (p * (1 - p) / total))


def effective_wilson(count: float, total: float) -> tuple[float, float]:
    """Give the score interval of numbers that need not be whole."""
    p = count / total
    middle, half = p + Z * Z / (2 * total), Z * sqrt(p * (1 - p) / total + Z * Z / (4 * total * total))
    width = 1 + Z * Z / total
    return (0.0 if p == 0 else (middle - half) / width), (1.0 if p == 1 else (middle + half) / width)
