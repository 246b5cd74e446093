"""Slices: which there are, in what order, and that none holds the very piercings of one before it."""

from collections.abc import Iterable

import numpy as np
import pytest

from pipeline.watch.arrays import SmallIntArray
from pipeline.watch.cohort import Pairs, Slices
from pipeline.watch.families import FAMILIES
from pipeline.watch.slices import SPARSE, Levels, make_slices, numbered


def levels(codes: list[int], *names: str) -> Levels:
    return Levels.of(np.array(codes), names)


def members(slices: Slices) -> dict[tuple[str, str], list[int]]:
    """Each slice's piercings, in its own order."""
    return {name: slices.members(at).tolist() for at, name in enumerate(slices.names)}


def test_the_whole_is_a_slice_though_nothing_else_is_known() -> None:
    assert members(make_slices({}, 3)) == {("all", "all"): [0, 1, 2]}


def test_a_piercing_without_a_value_stands_in_none() -> None:
    found = members(make_slices({"lot": levels([0, -1, 1, 0], "L1", "L2")}, 4))
    assert found == {("all", "all"): [0, 1, 2, 3], ("lot", "L1"): [0, 3], ("lot", "L2"): [2]}


def test_a_level_without_piercings_is_no_slice() -> None:
    assert ("lot", "L2") not in members(make_slices({"lot": levels([0, 2, 0], "L1", "L2", "L3")}, 3))


def test_a_piercing_stands_in_each_of_its_batches() -> None:
    batches = Levels(np.array([0, 0, 2]), np.array([0, 1, 1]), ("X1", "X2"))
    found = members(make_slices({"batch": batches}, 3))
    assert found == {("all", "all"): [0, 1, 2], ("batch", "X1"): [0], ("batch", "X2"): [0, 2]}


def test_pairs_are_those_that_are_watched_of_piercings_that_have_both() -> None:
    codes = {
        "branch": levels([0, 0, 1, 1, 1, 1], "B1", "B2"),
        "site_group": levels([0, 1, 0, 1, -1, 0], "helix", "lobe"),
        "practitioner": levels([0, 0, 1, 2, 2, -1], "W1", "W2", "W3"),
    }
    found = members(make_slices(codes, 6))
    assert found["branch", "B1"] == [0, 1]
    assert found["branch:site_group", "B1:lobe"] == [1]
    assert found["branch:site_group", "B2:helix"] == [2, 5]
    assert not any(name == "practitioner" and level == "W1" for name, level in found)  # the branch's very piercings
    assert found["practitioner", "W3"] == [3, 4]
    assert {name for name, _ in found} <= set(FAMILIES)
    assert not any(name.startswith("branch:practitioner") for name, _ in found)


def test_pairs_of_many_levels_are_not_mixed_up() -> None:
    rng = np.random.default_rng(1)
    site, lot = rng.integers(3, size=400), rng.integers(-1, 37, size=400)
    names = [f"L{code}" for code in range(37)]
    found = members(
        make_slices({"site_group": levels(site.tolist(), *"abc"), "lot": levels(lot.tolist(), *names)}, 400)
    )
    for (dimension, level), own in found.items():
        if dimension == "site_group:lot":
            one_site, one_lot = level.split(":")
            assert own == np.flatnonzero((site == "abc".index(one_site)) & (lot == names.index(one_lot))).tolist()


def given(n: int, *sets: list[int]) -> Slices:
    """Slices of these sets of piercings, each a family of its own, named by their place."""
    assert max(map(max, sets)) < n
    names = tuple(("lot", str(at)) for at in range(len(sets)))
    pairs = [Pairs(at, 1, small(0 for _ in own), small(own)) for at, own in enumerate(sets)]
    return Slices(names, np.arange(len(sets)), tuple(pairs))


def small(values: Iterable[int]) -> SmallIntArray:
    return np.fromiter(values, dtype=np.int32)


def test_of_slices_with_the_same_piercings_the_first_stays() -> None:
    slices = given(5, [0, 1, 2, 3, 4], [0, 1], [2, 3], [0, 1], [1, 2], [0, 1, 2, 3, 4], [2, 3]).distinct()
    assert [name for _, name in slices.names] == ["0", "1", "2", "4"]
    assert slices.family.tolist() == [0, 1, 2, 4]
    assert list(members(slices).values()) == [[0, 1, 2, 3, 4], [0, 1], [2, 3], [1, 2]]


def test_slices_that_differ_all_stay_in_their_order() -> None:
    rng = np.random.default_rng(2)
    sets = {tuple(np.flatnonzero(rng.random(12) < 0.5).tolist()) for _ in range(300)} - {()}
    slices = given(12, *map(list, sets))
    found = slices.distinct()
    assert found.names == slices.names
    assert list(members(found).values()) == list(map(list, sets))


def test_slices_narrowed_keep_their_numbers_and_count_piercings_anew() -> None:
    slices = given(6, [0, 1, 2, 3, 4, 5], [1, 4], [0, 3])
    narrow = slices.narrowed(np.array([False, True, False, True, True, False]))
    assert (narrow.names, narrow.count) == (slices.names, 3)
    assert list(members(narrow).values()) == [[0, 1, 2], [0, 2], [1]]
    of, piercing = narrow.flat()
    assert list(zip(of.tolist(), piercing.tolist(), strict=True)) == [(0, 0), (0, 1), (0, 2), (1, 0), (1, 2), (2, 1)]


def test_sums_are_of_each_slices_own_piercings() -> None:
    slices = make_slices({"lot": levels([0, -1, 1, 0], "L1", "L2")}, 4)
    ones, powers = slices.sums(np.ones(4), np.array([1.0, 2.0, 4.0, 8.0]))
    assert (ones.tolist(), powers.tolist()) == ([4, 2, 1], [15, 9, 4])


@pytest.mark.parametrize(
    ("piercings", "pairs"),
    [
        ([2, 3, 4], [(1, 0), (0, 0), (1, 2)]),
        ([2, 4, 5], [(1, 0), (0, 0), (1, 1), (0, 2)]),
        ([1, 3], []),
        ([], []),
        ([0, 5], [(0, 0), (0, 1)]),
    ],
)
def test_pairs_of_some_piercings_tell_their_place_among_these(
    piercings: list[int], pairs: list[tuple[int, int]]
) -> None:
    own = Pairs(7, 2, small([0, 1, 0, 1, 0]), small([0, 2, 2, 4, 5]))
    of, at = own.within(np.array(piercings, dtype=np.int64))
    assert list(zip(of.tolist(), at.tolist(), strict=True)) == pairs


@pytest.mark.parametrize("spread", [1, SPARSE, SPARSE + 1, 1000])
def test_codes_are_numbered_in_their_order(spread: int) -> None:
    codes = np.array([5, 0, 5, 3, 9, 0]) * spread
    used, place = numbered(codes)
    assert used.tolist() == [0, 3 * spread, 5 * spread, 9 * spread]
    assert place.tolist() == [2, 0, 2, 1, 3, 0]


def test_of_no_codes_there_is_none() -> None:
    used, place = numbered(np.empty(0, dtype=np.int64))
    assert (used.tolist(), place.tolist()) == ([], [])
