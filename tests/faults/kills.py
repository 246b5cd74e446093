"""Kill nights, and reruns, at points spread over all their phases, and see that what is left is whole.

In the folder `tests`: `python -m faults.kills [KILLS] [SEED]`

Nights of a small chain are run over several days. Each is killed some times, at a random point of a phase chosen at
random, then run to its end. After each kill the published site must be the last good one or the new one, byte for byte;
after each day store and site must hold what a twin holds that nobody killed. Exits 1 where anything was otherwise.

A kill leaves what the operating system has taken to write: this says nothing of a loss of power.
"""

import random
import sys
import tempfile
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from time import monotonic, sleep

from .deliveries import Delivery, deliveries, lay
from .warm import STEPS, Night, Place, prepare, run, start
from .whole import Dump, dump, left_about, lost_or_doubled, published, published_whole

MOST_KILLS_A_NIGHT = 8
ORDER = {step.removeprefix("scapha: "): at for at, step in enumerate(STEPS)}


@dataclass(frozen=True)
class Twin:
    """What stands after a day's night that nobody killed: the site's digest, the store's content, its phases' lengths.

    `phases` has a step's line and the seconds until the next, in the order of the night.
    """

    site: str
    store: Dump
    phases: list[tuple[str, float]]


@dataclass
class Tally:
    """What came of the kills.

    `phases` counts them by the step that was the last one said, `remains` what lay about after the last rerun.
    """

    phases: Counter[str] = field(default_factory=Counter)
    sites: Counter[str] = field(default_factory=Counter)
    n_late: int = 0  # nights that had ended when the kill came
    n_of_reruns: int = 0
    n_days: int = 0
    remains: Counter[str] = field(default_factory=Counter)
    bad: list[str] = field(default_factory=list)

    @property
    def n_kills(self) -> int:
        return sum(self.phases.values())


def step_of(line: str) -> str:
    """The step a progress line tells, without what follows it."""
    return next((step for step in STEPS if line.startswith(step)), line).removeprefix("scapha: ")


def phases_of(night: Night) -> list[tuple[str, float]]:
    """A night's steps with the seconds each took."""
    steps = [(at, line) for at, line in night.said if line.startswith(STEPS)]
    ends = [*(at for at, _ in steps[1:]), night.ended]
    return [(line, end - at) for (at, line), end in zip(steps, ends, strict=True)]


def unharmed(place: Place, delivery: Delivery) -> Twin:
    """The next day's night, which nothing happens to."""
    lay(place.inbox, delivery)
    night = run(place, delivery.clock)
    if night.status:
        raise RuntimeError("\n".join(night.messages))
    return Twin(published(place.site), dump(place.store), phases_of(night))


def kill_within(night: Night, phases: list[tuple[str, float]], draw: random.Random) -> None:
    """Kill a night at a random point of a phase, each kind of phase as likely as another.

    A rerun may pass over the phase that was drawn; it is then killed within the next one.
    """
    usual = {step_of(line): seconds for line, seconds in phases}
    kind = draw.choice(sorted(usual))
    line, length = draw.choice([phase for phase in phases if step_of(phase[0]) == kind])
    while (said := night.read()) is not None:
        if said == line or (kind == "looking into" and step_of(said) == kind):
            break
        if ORDER.get(step_of(said), -1) > ORDER[kind]:
            length = usual[step_of(said)]
            break
    until = monotonic() + draw.random() * length
    while (left := until - monotonic()) > 0:
        sleep(min(left, 0.0005) if left < 0.002 else left / 2)
    night.kill()
    night.end()


def kill_a_day(
    place: Place, delivery: Delivery, before: str, twin: Twin, draw: random.Random, tally: Tally, name: str
) -> None:
    """Kill a day's night some times, then run it to its end, and note all that is not as it should be."""
    for attempt in range(draw.randint(1, MOST_KILLS_A_NIGHT)):
        night = start(place, delivery.clock)
        kill_within(night, twin.phases, draw)
        if night.status != -9:
            tally.n_late += 1
            if night.status:
                tally.bad.append(f"{name}: a rerun ended with {night.status}: {night.messages[-3:]}")
            continue
        last = step_of(night.said[-1][1]) if night.said else "starting"
        tally.phases[last] += 1
        tally.n_of_reruns += attempt > 0
        _note_site(place, before, twin, tally, f"{name}, killed at {last!r}")
    night = run(place, delivery.clock)
    tally.n_days += 1
    if night.status:
        tally.bad.append(f"{name}: the last rerun ended with {night.status}: {night.messages[-3:]}")
        return
    tally.remains.update(left_about(place))
    differences = lost_or_doubled(dump(place.store), twin.store)
    if published(place.site) != twin.site:
        differences.append("another site than the twin's")
    tally.bad += [f"{name}, in the end: {difference}" for difference in differences]


def _note_site(place: Place, before: str, twin: Twin, tally: Tally, name: str) -> None:
    try:
        site = published_whole(place.site)
    except (ValueError, OSError) as problem:
        tally.bad.append(f"{name}: {problem}")
        return
    if site not in (before, twin.site):
        tally.bad.append(f"{name}: a site that is neither the last nor the new one")
    tally.sites["the new site" if site == twin.site else "the last site" if site else "no site yet"] += 1


def kill_nights(n_kills: int, seed: int, folder: Path) -> Tally:
    """Kill that many nights of chain after chain."""
    draw = random.Random(seed)
    days = deliveries(folder)
    twins: list[Twin] = []  # of the days that were come to
    tally, trial = Tally(), 0
    while tally.n_kills < n_kills and len(tally.bad) < 50:
        trial += 1
        with tempfile.TemporaryDirectory(dir=folder) as name:
            before = ""
            for day, delivery in enumerate(days, start=1):
                if day > len(twins):
                    twins.append(unharmed(Place(folder / "twin"), delivery))
                place, twin = Place(Path(name)), twins[day - 1]
                lay(place.inbox, delivery)
                n_bad = len(tally.bad)
                kill_a_day(place, delivery, before, twin, draw, tally, f"trial {trial}, day {day}")
                before = twin.site
                print(f"{tally.n_kills} kills, {len(tally.bad)} findings", file=sys.stderr)  # noqa: T201
                if tally.n_kills >= n_kills or len(tally.bad) > n_bad:
                    break
    return tally


def told(tally: Tally) -> str:
    """The figures in words."""
    share = (
        f"fewer than {3 / tally.n_kills:.2%} of kills harm (95 %, rule of three)"
        if not tally.bad
        else f"{len(tally.bad)} findings"
    )
    return "\n".join(
        [
            f"{tally.n_kills} kills in {tally.n_days} days' nights, {tally.n_of_reruns} of them of reruns; "
            f"{tally.n_late} nights had ended before the kill",
            "killed while: " + ", ".join(f"{step} {n}" for step, n in tally.phases.most_common()),
            "after the kill stood: " + ", ".join(f"{site} {n}" for site, n in tally.sites.most_common()),
            "left about after the last rerun: "
            + (", ".join(f"{name} {n}" for name, n in tally.remains.items()) or "nothing"),
            share,
            *tally.bad,
        ]
    )


def main(n_kills: int = 500, seed: int = 1) -> int:
    """Kill nights, and print the figures; 1 where anything was not whole."""
    prepare()
    with tempfile.TemporaryDirectory() as folder:
        tally = kill_nights(n_kills, seed, Path(folder))
    print(told(tally))  # noqa: T201
    return bool(tally.bad)


if __name__ == "__main__":
    sys.exit(main(*(int(argument) for argument in sys.argv[1:])))
