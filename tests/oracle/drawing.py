"""Drawing from a seeded random.Random: what the invented chains are made with."""

from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta
from random import Random
from typing import TypeVar

NOW = datetime(2032, 8, 1, 18, 0, tzinfo=UTC)
"""The clock of the night that takes these exports in; in the zone furthest ahead it is the next day already."""
LAST_DAY = date(2032, 8, 1)
LATER = NOW + timedelta(days=3)
"""The clock of the second night."""

HOURS = ("00:00", "00:30", "01:30", "02:30", "09:15", "12:00:30", "18:45", "23:30", "23:59:59.5")
OFFSETS = ("", "", "", "Z", "+00:00", "+01", "-0400", "+12:00", "+05:45")
Item = TypeVar("Item")


class Draw:
    """Choices, and times on chosen days."""

    def __init__(self, rng: Random) -> None:
        self.rng = rng

    def one_of(self, items: Sequence[Item]) -> Item:
        return self.rng.choice(items)

    def maybe(self, share: float, items: Sequence[str]) -> str:
        return self.rng.choice(items) if self.rng.random() < share else ""

    def time(self, day: date) -> str:
        """Give a time on or about the day; on the last day one that every zone agrees upon and the clock has passed."""
        if day == LAST_DAY:
            return f"{day.isoformat()}T09:15"
        return f"{day.isoformat()}T{self.rng.choice(HOURS)}{self.rng.choice(OFFSETS)}"

    def recorded(self, day: date, days_later: Sequence[int]) -> str:
        """Give a recorded_at some days after the event, or none; never after the last day."""
        later = min(day + timedelta(days=self.rng.choice(days_later)), LAST_DAY)
        return f"{later.isoformat()}T{self.rng.choice(('08:00', '09:30:15'))}Z" if self.rng.random() < 0.6 else ""
