"""The owner's three sentences: what changed, how sure that is, what to do."""

from datetime import timedelta

import pytest

from reports.business import lines_of
from reports.edition import Edition
from reports.pages import index
from reports.week_words import how_sure, what_changed, what_to_do
from support.editions import AS_OF, MONDAY, written
from support.readability import reading_age

from .rows import Row, attach, branch, cause, mondays, plain_week, rate, together, week

A_WEEK, A_YEAR = timedelta(weeks=1), timedelta(days=364)


def changed(edition: Edition) -> str:
    return what_changed(lines_of(edition, "all", "all"), MONDAY).replace("\u00a0", " ")


def weekly(*visits: tuple[int, int]) -> Edition:
    """An edition of visits by how many weeks back."""
    return written(results={"weekly": [week(MONDAY - back * A_WEEK, visits=n) for back, n in visits]})


@pytest.mark.parametrize(
    ("visits", "sentence"),
    [
        ([(0, 309)], "There were 309 visits."),
        ([(0, 1)], "There was 1 visit."),
        ([(0, 309), (1, 280)], "There were 309 visits, 10 % more than the week before."),
        ([(0, 309), (52, 309)], "There were 309 visits, the same as a year ago."),
        (
            [(0, 30), (1, 40), (52, 20)],
            "There were 30 visits, 25 % fewer than the week before and 50 % more than a year ago.",
        ),
        ([(0, 30), (51, 20), (53, 20)], "There were 30 visits."),
        ([(1, 30)], "No visit is recorded for this week."),
        ([(0, 30), (1, 0)], "There were 30 visits."),
    ],
)
def test_what_changed_is_told_by_visits(visits: list[tuple[int, int]], sentence: str) -> None:
    assert changed(weekly(*visits)) == sentence


def test_a_year_ago_is_364_days_ago_a_monday_as_this_one() -> None:
    assert (MONDAY - A_YEAR).weekday() == MONDAY.weekday()
    edition = written(results={"weekly": [week(visits=30), week(MONDAY - A_YEAR, visits=20)]})
    assert changed(edition) == "There were 30 visits, 50 % more than a year ago."


def test_what_changed_tells_of_aftercare_where_any_is_known() -> None:
    few = written(results={"weekly": [week()], "attach": [attach()]})
    assert changed(few).endswith("; 40 % of them bought aftercare, too few weeks before it to say.")
    rates = [0.4, *[0.5, 0.6] * 4]
    rows = [attach(monday, rate=value) for monday, value in zip(mondays(9), rates, strict=True)]
    many = written(results={"weekly": [week()], "attach": rows})
    assert changed(many).endswith("; 40 % of them bought aftercare, lower than in any of the 8 weeks before.")
    last_year = written(results={"weekly": [week()], "attach": [*rows, attach(MONDAY - A_YEAR, rate=0.52)]})
    assert changed(last_year).endswith(
        "; 40 % of them bought aftercare (52 % a year ago), lower than in any of the 8 weeks before."
    )


def test_visits_of_all_branches_are_added() -> None:
    edition = written(results={"weekly": [week(visits=3), week(branch_id="B2", visits=4)]})
    assert changed(edition) == "There were 7 visits."


@pytest.mark.parametrize(
    ("branches", "sentence"),
    [
        ([branch("B1"), branch("B2"), branch("B3")], "All branches were heard of; "),
        ([branch("B1"), branch("B2", data_through=AS_OF - 2 * timedelta(days=1))], "All branches were heard of; "),
        (
            [branch("B1"), branch("B2", data_through=AS_OF - timedelta(days=3))],
            "1 branch was not heard of lately; ",
        ),
        (
            [branch("B1"), branch("B2", data_through=AS_OF - timedelta(days=30)), branch("B3", data_through=None)],
            "2 branches were not heard of lately; ",
        ),
    ],
)
def test_how_sure_tells_who_was_heard_of(branches: list[Row], sentence: str) -> None:
    assert how_sure(written(results={"branches": branches, "complication_rates": [rate()]})).startswith(sentence)


def test_a_single_branch_is_not_called_all() -> None:
    sentence = how_sure(written(results={"branches": [branch()], "complication_rates": [rate()]}))
    assert sentence.startswith("The branch was heard of; ")


def test_how_sure_tells_whose_healing_is_known() -> None:
    known = how_sure(written(results=plain_week()))
    assert "we asked and learned how 50\u00a0% of piercings healed, so more infections may exist" in known


def test_it_may_be_too_early_to_say_how_piercings_heal() -> None:
    for edition in (
        written(results={"branches": [branch()]}),
        written(data_from=AS_OF - timedelta(days=200), results=plain_week()),
    ):
        assert how_sure(edition) == "The branch was heard of; it is too early to say how piercings heal."


def test_without_an_answer_healing_is_not_known() -> None:
    sentence = how_sure(written(results=plain_week() | {"complication_rates": [rate(reached=0, coverage=0.0)]}))
    assert "0\u00a0%" not in sentence
    assert sentence.endswith("how piercings heal is not known.")


def test_with_nothing_amiss_carry_on() -> None:
    assert what_to_do(written(results=plain_week()), 0).startswith("Nothing stands out among what is known; ")


def test_gaps_of_the_week_come_before_carrying_on() -> None:
    assert what_to_do(written(results=plain_week()), 1) == (
        "Nothing stands out among what is known; 1 gap in this week’s records can be closed."
    )


def test_a_silent_branch_comes_before_gaps() -> None:
    silent = branch("B2", data_through=AS_OF - timedelta(days=3))
    edition = written(results={"branches": [branch(), silent]})
    assert what_to_do(edition, 5) == "Ask B2 for its exports: nothing has come since 13 February 2031."


def test_a_branch_never_heard_of_has_no_day_to_tell() -> None:
    never = branch("B2", data_from=None, data_through=None)
    page = index.build(written(results=together(plain_week(), {"branches": [never]})))
    assert "B2" in page.sentences[2]
    assert [text for text in (page.sentences[2], *(item.note for item in page.to_do)) if "–" in text] == []


def test_a_cause_in_use_comes_first() -> None:
    silent = branch("B2", data_through=AS_OF - timedelta(days=3))
    edition = written(results=together({"branches": [branch(), silent]}, cause("lot", "L1")))
    assert what_to_do(edition, 5) == (
        "Begin with lot L1: infection in 30 of 200 piercings, about 6 expected. "
        "It is a reason to look, not proof of a cause."
    )


@pytest.mark.parametrize(("days_back", "is_in_use"), [(0, True), (28, True), (29, False), (300, False)])
def test_a_cause_counts_as_in_use_for_28_days(days_back: int, is_in_use: bool) -> None:
    edition = written(results=cause(used_to=AS_OF - timedelta(days=days_back)))
    sentence = what_to_do(edition, 0)
    assert sentence.startswith("Begin with lot L1: " if is_in_use else "Ask what was done about lot L1: ")
    assert sentence.endswith("It is a reason to look, not proof of a cause.")


def test_a_cause_in_use_comes_before_one_further_beyond_chance() -> None:
    old = cause("lot", "L1", used_to=AS_OF - timedelta(days=60), p_value=1e-9)
    edition = written(results=together(old, cause("batch", "A1", p_value=1e-5), cause("batch", "A2", p_value=1e-6)))
    assert what_to_do(edition, 0).startswith("Begin with aftercare batch A2: ")


@pytest.mark.parametrize(
    ("dimension", "level", "told"),
    [
        ("practitioner", "P-014", "one practitioner’s piercings"),
        ("practitioner:site_group", "P-014:upper_cartilage", "one practitioner’s upper cartilage piercings"),
    ],
)
@pytest.mark.parametrize("used_to", [AS_OF, AS_OF - timedelta(days=60)])
def test_a_practitioner_is_not_named_to_the_owner(dimension: str, level: str, told: str, used_to: object) -> None:
    found = cause(dimension, level)
    found["cause_branches"][0]["used_to"] = used_to
    edition = written(results=together(plain_week(), found))
    page = index.build(edition)
    assert told in what_to_do(edition, 0)
    assert told in page.sentences[2]
    assert told in page.to_do[0].text
    assert "P-014" not in " ".join([*page.sentences, *(f"{item.text} {item.note}" for item in page.to_do)])


def test_the_sentences_fit_a_phone() -> None:
    long = together(plain_week(), cause("practitioner:site_group", "P-014:upper_cartilage", "perichondritis"))
    assert max(len(sentence) for sentence in index.build(written(results=long)).sentences) <= 220


TOLD = {
    "a plain week": plain_week(),
    "a year behind it": together(plain_week(), {"weekly": [week(MONDAY - A_YEAR, visits=20)]}),
    "aftercare a year ago": together(plain_week(), {"attach": [attach(MONDAY - A_YEAR, rate=0.52)]}),
    "a silent branch": together(plain_week(), {"branches": [branch("B2", data_through=AS_OF - timedelta(days=3))]}),
    "a lot": together(plain_week(), cause("lot", "L1")),
    "one that is used no more": together(plain_week(), cause(used_to=AS_OF - timedelta(days=60))),
    "a practitioner": together(plain_week(), cause("practitioner:site_group", "P-014:upper_cartilage")),
    "nobody answered": plain_week() | {"complication_rates": [rate(reached=0, coverage=0.0)]},
}


@pytest.mark.parametrize("results", TOLD.values(), ids=TOLD.keys())
def test_a_child_of_twelve_could_read_the_sentences(results: dict[str, list[Row]]) -> None:
    sentences = index.build(written(results=results)).sentences
    assert reading_age(" ".join(sentences)) <= 12


def test_a_hard_sentence_is_told_from_an_easy_one() -> None:
    easy = "We do not know yet. Ask the branch for its list."
    hard = "Notwithstanding methodological uncertainty, heterogeneous institutional follow-up precludes interpretation."
    assert reading_age(easy) < 8
    assert reading_age(hard) > 18


def test_without_data_there_are_no_sentences(nothing: Edition) -> None:
    page = index.build(nothing)
    assert (page.sentences, page.week) == ((), "")
    assert page.not_yet == "No piercing has come in yet. The page fills as exports arrive."


@pytest.mark.usefixtures("drawn")
def test_editions_of_nights_have_their_sentences(first_weeks: Edition, sample: Edition) -> None:
    for edition in (first_weeks, sample):
        sentences = index.build(edition).sentences
        assert reading_age(" ".join(sentences)) <= 12
        assert len(sentences) == 3
        assert all(sentence.endswith(".") and not sentence.startswith(" ") for sentence in sentences)
        assert not any("–" in sentence or "None" in sentence for sentence in sentences)


@pytest.mark.usefixtures("drawn")
def test_the_first_weeks_say_that_it_is_early(first_weeks: Edition) -> None:
    page = index.build(first_weeks)
    assert page.week == "10 to 16 February 2031"
    assert page.sentences[0].replace("\u00a0", " ") == (
        "There were 7 visits, the same as the week before; 43 % of them bought aftercare, "
        "too few weeks before it to say."
    )
    assert page.sentences[1].endswith("it is too early to say how piercings heal.")
    assert "gaps in this week’s records can be closed" in page.sentences[2]
