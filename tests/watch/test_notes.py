"""Notes: any that is altered, taken out or moved is told, and a cause that names a slice is read as one."""

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.notes import broken_seal, seal_of, slice_named

Document = dict[str, Any]
TEXT = st.text(max_size=8)
FIELDS = ("incident_id", "noted_at", "noted_on", "state", "cause", "by", "why")


def sealed(texts: list[str]) -> list[Document]:
    """Notes one after another, each with one text in all its fields."""
    notes: list[Document] = []
    for text in texts:
        note = dict.fromkeys(FIELDS, text) | {"previous": notes[-1]["seal"] if notes else ""}
        notes.append(note | {"seal": seal_of(note)})
    return notes


NOTES = st.lists(TEXT, min_size=1, max_size=6).map(sealed)


@given(st.lists(TEXT, max_size=6).map(sealed))
def test_notes_as_they_were_written_are_whole(notes: list[Document]) -> None:
    assert broken_seal(notes) is None
    assert broken_seal(json.loads(json.dumps(notes))) is None


@given(NOTES, st.data())
def test_a_note_altered_in_any_field_is_told(notes: list[Document], data: st.DataObject) -> None:
    at = data.draw(st.integers(0, len(notes) - 1))
    name = data.draw(st.sampled_from([*FIELDS, "previous", "seal"]))
    other = data.draw(TEXT.filter(lambda text: text != notes[at][name]))
    assert broken_seal([*notes[:at], notes[at] | {name: other}, *notes[at + 1 :]]) == at + 1


@given(NOTES, st.data())
def test_a_field_more_or_less_is_told(notes: list[Document], data: st.DataObject) -> None:
    at = data.draw(st.integers(0, len(notes) - 1))
    name = data.draw(st.sampled_from([*FIELDS, "previous", "seal"]))
    less = {field: value for field, value in notes[at].items() if field != name}
    for altered in (less, notes[at] | {"further": ""}):
        assert broken_seal([*notes[:at], altered, *notes[at + 1 :]]) == at + 1


@given(st.lists(TEXT, min_size=2, max_size=6).map(sealed), st.data())
def test_a_note_taken_out_before_the_last_is_told(notes: list[Document], data: st.DataObject) -> None:
    at = data.draw(st.integers(0, len(notes) - 2))
    assert broken_seal([*notes[:at], *notes[at + 1 :]]) == at + 1


def test_the_last_note_taken_away_shows_by_its_seal_alone() -> None:
    notes = sealed(["one", "two"])
    assert broken_seal(notes[:-1]) is None
    assert notes[:-1][-1]["seal"] != notes[-1]["seal"]


@given(st.lists(TEXT, min_size=2, max_size=6).map(sealed), st.data())
def test_notes_in_another_order_are_told(notes: list[Document], data: st.DataObject) -> None:
    mixed = data.draw(st.permutations(notes))
    assert (broken_seal(mixed) is None) == (mixed == notes)


@given(NOTES)
def test_an_altered_note_sealed_again_breaks_the_one_after_it(notes: list[Document]) -> None:
    forged = notes[0] | {"why": notes[0]["why"] + "!"}
    forged |= {"seal": seal_of(forged)}
    assert broken_seal([forged, *notes[1:]]) == (2 if len(notes) > 1 else None)


@pytest.mark.parametrize(
    ("cause", "named"),
    [
        ("lot:K3-M10-04", ("lot", "K3-M10-04")),
        ("branch:B01", ("branch", "B01")),
        ("branch:lot:B01:K3", ("branch:lot", "B01:K3")),
        ("practitioner:site_group:P-014:lobe", ("practitioner:site_group", "P-014:lobe")),
        ("all:all", ("all", "all")),
        ("lot:", (None, None)),
        ("lot", (None, None)),
        ("seals were torn", (None, None)),
        ("weather:warm", (None, None)),
        ("", (None, None)),
    ],
)
def test_a_cause_names_a_slice_or_is_other_words(cause: str, named: tuple[str | None, str | None]) -> None:
    assert slice_named(cause) == named
