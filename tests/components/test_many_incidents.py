"""Very many open incidents: the first are told whole, further ones in words, and the rest are counted."""

from reports.sections.incidents import DRAWN, TOLD, incidents_words, told_incidents

from .texts import Undrawn
from .watching import incident, watched


def test_of_many_incidents_the_first_have_weeks_and_others_words_alone() -> None:
    edition = watched(*(incident(f"I-{at:02}", level=f"L{at:02}") for at in range(TOLD + 10)))
    told = told_incidents(Undrawn(), edition)
    assert len(told) == TOLD
    assert [one.figure is not None for one in told] == [at < DRAWN for at in range(TOLD)]
    assert [one.explanations is not None for one in told] == [at < DRAWN for at in range(TOLD)]
    assert [one.identifier for one in told] == [f"I-{at:02}" for at in range(TOLD)]
    assert {len(one.lines) for one in told} == {2}
    assert "50 incidents are open" in incidents_words(edition)
    assert "of more than 40 only so many stand here, and scapha signals lists all." in incidents_words(edition)


def test_of_few_incidents_nothing_is_left_out() -> None:
    edition = watched(*(incident(f"I-{at:02}", level=f"L{at:02}") for at in range(DRAWN)))
    assert all(one.figure and one.explanations for one in told_incidents(Undrawn(), edition))
    assert "only so many" not in incidents_words(edition)
