"""Every word of the contract has one name that readers meet."""

import pytest

from pipeline.contract import vocabulary as v
from reports import words

GAPS = (
    *("minor_without_guardian", "consent_missing", "age_missing", "lot_missing", "lot_unknown", "pack_expired"),
    *("article_unknown", "practitioner_missing", "practitioner_unknown", "site_not_allowed", "aftercare_missing"),
)
"""As the contract lists them, section 4, record_gaps.csv."""


def test_every_word_of_the_contract_has_a_name() -> None:
    assert set(words.COMPLICATION) == {one.name for one in v.COMPLICATIONS}
    assert set(words.DIMENSION) == set(v.DIMENSIONS)
    assert set(words.SITE_GROUP) == set(v.SITE_GROUPS.values())
    assert set(words.POLICY) == set(v.FOLLOW_UP_POLICIES)
    assert set(words.GAP) == set(GAPS)


@pytest.mark.parametrize("names", [words.COMPLICATION, words.DIMENSION, words.SITE_GROUP, words.POLICY, words.GAP])
def test_no_two_things_have_one_name(names: dict[str, str]) -> None:
    assert len(set(names.values())) == len(names)
    assert not any("_" in name for name in names.values())


@pytest.mark.parametrize(
    ("dimension", "level", "name"),
    [
        ("all", "all", "the whole chain"),
        ("branch", "B01", "branch B01"),
        ("lot", "K3-M10-04", "lot K3-M10-04"),
        ("batch", "SPRAY_1", "aftercare batch SPRAY_1"),
        ("article", "stud_a", "article stud_a"),
        ("practitioner", "P-014", "practitioner P-014"),
        ("practitioner:site_group", "P-014:upper_cartilage", "practitioner P-014, upper cartilage"),
        ("practitioner:site_group", "(missing):lobe", "practitioner (missing), lobe"),
        ("site_group", "other_cartilage", "site group other cartilage"),
        ("site", "forward_helix", "site forward helix"),
        ("material", "implant_steel", "material implant steel"),
        ("age_band", "18+", "age 18+"),
    ],
)
def test_a_level_is_named_with_its_dimension(dimension: str, level: str, name: str) -> None:
    assert words.named(dimension, level) == name


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (words.plural(1, "infection"), "1 infection"),
        (words.plural(0, "infection"), "0 infections"),
        (words.plural(12345, "visit"), "12,345 visits"),
        (words.plural(2, "branch", "branches"), "2 branches"),
        (words.plural(1, "branch", "branches"), "1 branch"),
    ],
)
def test_a_number_with_its_noun(text: str, expected: str) -> None:
    assert text == expected
