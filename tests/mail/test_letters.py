"""What mails say, and of whom they say nothing, looked for in every part of them."""

import csv
import gzip
import io
import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from html import unescape
from html.parser import HTMLParser

import pytest

from editions.hostile import CLIENT, PEOPLE, digest, hostile, slices
from pages.rows import Row, branch, cause, plain_week, together, week
from pipeline.mail.message import as_message
from reports.edition import Edition
from reports.mail.incidents import MOST_PICTURES, MOST_TOLD, incidents_letter
from reports.mail.letter import Attached, Letter
from reports.mail.week import week_letter
from reports.one_file import MOST_BYTES, as_one_file
from reports.palette import palettes
from reports.readers.declared import BY_MAIL, OWNER
from reports.readers.filtering import edition_for
from support.editions import AS_OF, MONDAY, SAMPLE_EXPORTS, Published, written

from .postbox import EmailMessage, attachment, everything_in, part, read, settings, words_of

NOW = datetime(2031, 2, 17, 3, 0, tzinfo=UTC)
CLAIMS = re.compile(r"\bprov(?:es?|ed|en)\b|\bsafe(?:ly|ty|r)?\b|\bworst\b|\bbest\b|\b(?:None|nan|inf|True|False)\b")


def sent(letter: Letter | None, chain_name: str = "Corrowmere") -> EmailMessage:
    """A letter as it arrives."""
    assert letter is not None
    message = as_message(
        letter, settings(), ("a@b.example",), chain_name=chain_name, now=NOW, identity="1a2b", tells_of=["it"]
    )
    return read(message.as_bytes())


def opened(*pairs: tuple[str, str], **changes: object) -> list[Row]:
    """Incidents of some slices."""
    common: Row = {
        "opened_on": AS_OF, "complication": "infection", "state": "new", "started_on": MONDAY, "observed": 20,
        "expected": 8.8, "ratio": 2.3, "ratio_low": 1.5, "ratio_high": 3.4, "signals": 2, "exposed": 300,
        "still_exposed": 9, "ended_on": AS_OF, "against": "few", "provisional": False,
    }  # fmt: skip
    return [
        common
        | {"incident_id": digest("I", *pair), "dimension": pair[0], "level": pair[1]}
        | {"cause_dimension": pair[0], "cause_level": pair[1]}
        | changes
        for pair in pairs
    ]


def weeks_of(incidents: list[Row]) -> list[Row]:
    return [
        {"incident_id": row["incident_id"], "week": MONDAY, "procedures": 9, "observed": 4, "expected": 1.5}
        for row in incidents
    ]


def with_incidents(*pairs: tuple[str, str], **changes: object) -> Edition:
    incidents = opened(*pairs, **changes)
    results = {"incidents": incidents, "incident_weeks": weeks_of(incidents)}
    return written(results=together(plain_week(), results), chain_name="Corrowmere")


def standing_out() -> Edition:
    """A week in which a lot stands out."""
    over_the_year = {name: rows for name, rows in cause().items() if name != "signals"}
    return written(results=together(plain_week(), over_the_year))


def mail_of_all(edition: Edition) -> EmailMessage:
    return sent(incidents_letter(edition, edition.results["incidents"]["incident_id"].to_list()))


@pytest.fixture
def watched() -> Edition:
    """A chain in which every practitioner, branch and lot has an incident, and each its weeks."""
    edition = hostile()
    incidents = edition.results["incidents"].to_dicts()
    return replace(edition, results=edition.results | written(results={"incident_weeks": weeks_of(incidents)}).results
                   | {name: frame for name, frame in edition.results.items() if name != "incident_weeks"})  # fmt: skip


def secrets_of(edition: Edition) -> set[str]:
    """All that no mail may hold: people, single records, clients, files, and digests that codes can be tried with."""
    about = [pair for pair in slices() if "practitioner" in pair[0]]
    digests = {digest(letter, *pair)[2:] for pair in about for letter in "SI"}
    records = {*edition.results["record_gaps"]["procedure_id"], *edition.results["calls"]["visit_id"]}
    values = {"Cordelia", "Quillfeather", "aaaaaaaa", CLIENT}
    assert len(records) > 10
    return {*PEOPLE, *digests, *records, *values}


@pytest.mark.usefixtures("undrawn")
def test_no_mail_holds_a_practitioner_a_client_or_a_single_record(watched: Edition) -> None:
    secrets = secrets_of(watched)
    for mail in (sent(week_letter(watched)), mail_of_all(watched)):
        text = everything_in(mail)
        assert words_of(text) & secrets == set()
        assert [secret for secret in secrets if secret in text] == []
        assert words_of(text) & {"Br-Ash", "L1"}  # so that names are known to be found


def rows_of(pattern: str) -> Iterator[dict[str, str]]:
    """Rows of the sample's exports, as they were sent."""
    for path in sorted(SAMPLE_EXPORTS.rglob(pattern)):
        data = path.read_bytes()
        text = (gzip.decompress(data) if path.suffix == ".gz" else data).decode("utf-8", "replace")
        yield from csv.DictReader(io.StringIO(text))


@pytest.mark.usefixtures("undrawn")
def test_no_mail_of_the_sample_holds_a_practitioner_a_client_or_a_visit(sample: Published) -> None:
    secrets = {row.get("practitioner_id") for row in rows_of("practitioners*.csv")}
    secrets |= {row.get(name) for row in rows_of("procedures*") for name in ("client_key", "visit_id", "procedure_id")}
    assert len(secrets) > 10_000
    for mail in (sent(week_letter(sample.edition)), mail_of_all(sample.edition)):
        assert words_of(everything_in(mail)) & secrets == set()


@pytest.mark.usefixtures("undrawn")
def test_an_incident_of_a_practitioner_has_no_name_and_no_weeks(watched: Edition) -> None:
    person, lot = ("practitioner:site_group", "W-Ida7:lobe"), ("lot", "L1")
    mail = sent(incidents_letter(watched, [digest("I", *person), digest("I", *lot)]))
    text = part(mail, "text/plain")
    assert "One practitioner’s lobe piercings (named on the watch): infection" in text
    assert len([one for one in mail.walk() if one.get_content_type() == "image/png"]) == 1
    weeks = edition_for(watched, BY_MAIL).results["incident_weeks"]["incident_id"]
    assert set(weeks) == {digest("I", *pair) for pair in slices() if "practitioner" not in pair[0]}
    assert "Likeliest behind it: one practitioner’s piercings (named on the watch)." in text


@pytest.mark.usefixtures("undrawn")
def test_no_file_is_named_as_its_name_may_hold_anything() -> None:
    unreadable = {"file": "W-Ida7 Cordelia.csv", "table": "sales", "sha256": "x", "readable": False, "loaded_at": NOW}
    mail = sent(week_letter(written(results=plain_week() | {"intake": [unreadable]})))
    assert "Have 1 file sent again that could not be read. You, this week. sales file 1" in part(mail, "text/plain")
    assert "Cordelia" not in everything_in(mail)


class Tags(HTMLParser):
    """Tags of a page with their attributes."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.feed(html)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def values(self, name: str) -> list[str]:
        return [value for _, attributes in self.tags if (value := attributes.get(name)) is not None]


@pytest.mark.usefixtures("undrawn")
def test_the_owners_mail_is_text_html_with_pictures_and_one_file() -> None:
    letter = week_letter(replace(standing_out(), chain_name="Corrowmere"))
    mail = sent(letter)
    assert letter is not None
    assert [one.get_content_type() for one in mail.walk()] == [
        "multipart/mixed", "multipart/alternative", "text/plain", "multipart/related", "text/html", "image/png",
        "image/png", "text/html",
    ]  # fmt: skip
    assert mail["Subject"] == "Corrowmere: the week 10 to 16 February 2031"
    assert mail["Auto-Submitted"] == "auto-generated"
    assert (mail["Message-ID"], mail["Date"].datetime) == ("<1a2b@chain.example>", NOW)
    [attached] = mail.iter_attachments()
    assert attached.get_filename() == "owner-2031-02-16.html"
    page = Tags(part(mail, "text/html"))
    asked = [source for tag, attributes in page.tags if tag == "img" and (source := attributes["src"])]
    given = [one["Content-ID"] for one in mail.walk() if one.get_content_maintype() == "image"]
    assert [f"<{source.removeprefix('cid:')}>" for source in asked] == given
    assert page.values("alt") == [picture.title for picture in letter.pictures]


@pytest.mark.usefixtures("undrawn")
def test_both_forms_of_a_mail_say_the_same() -> None:
    mails = (
        sent(week_letter(standing_out())),
        mail_of_all(with_incidents(("lot", "L1"), ("branch:site_group", "B1:lobe"))),
    )
    for mail in mails:
        html = re.sub(r"<(style|title)>.*?</\1>|<[^>]*>", " ", part(mail, "text/html"), flags=re.DOTALL)
        said = words_of(part(mail, "text/plain").lower())
        shown = words_of(unescape(html).lower())
        assert said - shown <= {"the", "picture", "is", "in", "this", "mail", "s", "other", "form", "-"}
        assert shown - said == set()
        assert CLAIMS.findall(part(mail, "text/plain").replace("not proof", "")) == []
        assert "A signal is a reason to look, not a finding" in part(mail, "text/plain")
        assert "medical care today" in part(mail, "text/plain")


@pytest.mark.usefixtures("undrawn")
def test_the_quality_lead_reads_what_is_known_of_an_incident_and_what_to_do() -> None:
    edition = with_incidents(("lot", "L1"), cause_dimension="branch", cause_level="B1", provisional=True)
    mail = mail_of_all(edition)
    text = part(mail, "text/plain")
    assert mail["Subject"] == "Corrowmere: 1 incident opened"
    for told in (
        "Lot L1: infection, 2.3 times what was expected",
        "Known so far: 20 of 300 piercings made from 10 February 2031 on; about 8.8 were expected by now.",
        "The true ratio most likely lies within 1.5\u00a0to\u00a03.4 (95 %).",
        "9 of these piercings are still inside their window and not heard of; still in use.",
        "Likeliest behind it: branch B1.",
        "It rests on few cases.",
        "Provisional: the chain has too little history",
        "Open the watch on the published pages",
        "scapha trace",
        "scapha signals note",
    ):
        assert told in text


@pytest.mark.usefixtures("undrawn")
def test_of_many_incidents_the_first_are_told_and_fewer_have_a_picture() -> None:
    pairs = [("lot", f"L{at}") for at in range(MOST_TOLD + 3)]
    mail = mail_of_all(with_incidents(*pairs))
    assert mail["Subject"] == f"Corrowmere: {len(pairs)} incidents opened"
    assert len(re.findall(r"^Lot L\d+:", part(mail, "text/plain"), re.MULTILINE)) == MOST_TOLD
    assert "The watch has 3 further ones." in part(mail, "text/plain")
    assert len([one for one in mail.walk() if one.get_content_type() == "image/png"]) == MOST_PICTURES


def test_incidents_that_are_not_open_make_no_mail() -> None:
    assert incidents_letter(with_incidents(("lot", "L1")), ["I-0123456789"]) is None


def test_without_a_whole_week_there_is_no_mail() -> None:
    assert week_letter(written(as_of=None, data_from=None)) is None


@pytest.mark.usefixtures("undrawn")
def test_figures_are_written_as_on_the_pages() -> None:
    results = together(plain_week(), {"weekly": [week(branch_id="B2", visits=12_345)]})
    text = {
        locale: part(sent(week_letter(replace(written(results=results), locale=locale))), "text/plain")
        for locale in ("en-GB", "de-DE")
    }
    assert "This week: 12,355" in text["en-GB"]
    assert "This week: 12.355" in text["de-DE"]


HOSTILE = 'Ærø\r\nBcc: eve@example.org\r\n\r\n<script>alert(1)</script>"><img src=x> {{ 7*7 }} \u202e'


@pytest.mark.usefixtures("undrawn")
def test_a_hostile_name_breaks_neither_head_nor_page() -> None:
    edition = replace(written(results=plain_week() | {"branches": [branch("B1", name=HOSTILE)]}), chain_name=HOSTILE)
    mail = sent(week_letter(edition), HOSTILE)
    assert mail["Bcc"] is None
    assert [address.addr_spec for header in ("From", "To") for address in mail[header].addresses] == [
        "scapha@chain.example",
        "a@b.example",
    ]
    assert mail["From"].addresses[0].display_name.startswith("Ærø Bcc: eve@example.org <script>")
    assert mail["Subject"].startswith("Ærø Bcc: eve@example.org <script>")
    assert "\u202e" not in str(mail["From"]) + str(mail["Subject"])
    for html in (part(mail, "text/html"), attachment(mail)):
        tags = Tags(html).tags
        assert {tag for tag, _ in tags} & {"script", "iframe", "object", "link", "form"} == set()
        assert [attributes["src"] for tag, attributes in tags if tag == "img" and "cid:" not in str(attributes)] == []


@pytest.mark.usefixtures("undrawn")
def test_the_file_leads_nowhere_else_and_every_link_in_it_leads_somewhere() -> None:
    html = attachment(sent(week_letter(hostile())))
    page = Tags(html)
    found = page.values("id")
    assert len(found) == len(set(found))
    links = page.values("href")
    assert len(links) > 20
    assert {link for link in links if not link.startswith("#") or link[1:] not in found} == set()
    assert {name for name in page.values("aria-labelledby") if name not in found} == set()
    assert {"src", "srcset", "action", "style", "xlink:href"} & {name for _, one in page.tags for name in one} == set()
    assert "default-src 'none'" in page.tags[2][1]["content"]  # type: ignore[operator]
    assert re.findall(r"url\((?!#)", html) == []
    assert {"index", "compare", "methods", "dictionary"} <= set(found)
    assert len(html.encode()) <= MOST_BYTES


@pytest.mark.usefixtures("undrawn")
def test_a_file_that_grows_too_large_leaves_its_last_pages_out(monkeypatch: pytest.MonkeyPatch) -> None:
    whole = as_one_file(hostile(), OWNER, "The week")
    monkeypatch.setattr("reports.one_file.MOST_BYTES", len(whole.encode()) - 1)
    shorter = as_one_file(hostile(), OWNER, "The week")
    assert len(shorter) < len(whole)
    assert "Left out, as the file would be too large: Dictionary." in shorter
    assert "Left out" not in whole
    page = Tags(shorter)
    assert {link for link in page.values("href") if link[1:] not in page.values("id")} == set()
    monkeypatch.setattr("reports.one_file.MOST_BYTES", 1)
    first = as_one_file(hostile(), OWNER, "")
    assert re.findall(r'<section id="(\w+)"', first) == ["index"]
    page = Tags(first)
    assert {link for link in page.values("href") if link[1:] not in page.values("id")} == set()


def test_the_same_letter_gives_the_same_bytes() -> None:
    letter = Letter("It", "text", "<p>text</p>", ())
    assert sent(letter).as_bytes() == sent(letter).as_bytes()
    assert sent(Letter("Ærø", "Ærø", "<p>Ærø</p>", (), Attached("a.html", "<p>Ærø</p>"))).as_bytes().isascii()
    assert len(palettes()[0]) == len(palettes()[1]) > 5
