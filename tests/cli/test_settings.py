"""Settings: where they are found, what holds without them, and how faults in them are told."""

import tomllib
from datetime import date
from pathlib import Path
from zoneinfo import available_timezones

import duckdb
import pytest
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from pydantic import ValidationError

from pipeline.contract.timezones import known_zones
from pipeline.contract.vocabulary import COMPLICATIONS, RATE_PERIOD_DAYS, REPORTING_LAG_DAYS
from pipeline.errors import UsageError
from pipeline.settings import DeclaredPhase, Settings, as_toml, find_settings, read_settings, shown
from pipeline.sources import Source
from pipeline.store.kept import keep_settings, kept_settings

untimed = hypothesis_settings(deadline=None)

SOURCES = """# how the till writes
timezone = "Europe/Oslo"
allowed_site_groups = [
    "lobe",  # only here
]
[[sources]]
files = "till/*.csv"
delimiter = "tab"
columns = { sale_id = "Bon-Nr", "line_no" = "Pos" }

[[sources]]
table = "procedures"
values.site = { "Ohrlappen" = "lobe" }
values.ear.L = "left"
split = { column = "ear", value = "both", into = ["left", "right"] }
    [sources.constants]
    branch_id = '''
B01'''
[[phases]]
from = 2031-05-04
reason = "new studs"
"""


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "scapha.toml"


def refusal(path: Path, text: str | bytes) -> str:
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    with pytest.raises(UsageError) as caught:
        read_settings(path)
    assert caught.value.exit_code == 2
    assert str(path) in caught.value.problem
    assert "\n" not in caught.value.problem
    return caught.value.problem


def test_without_a_file_the_contract_s_defaults_hold() -> None:
    settings = read_settings(None)
    assert settings.timezone == "UTC"
    assert settings.adult_age == 18
    assert settings.allowed_site_groups == ("lobe", "upper_cartilage")


def test_an_empty_file_is_the_same_as_none(path: Path) -> None:
    path.touch()
    assert read_settings(path) == read_settings(None)


def test_what_a_file_sets_holds(path: Path) -> None:
    path.write_text(
        'timezone = "Europe/Oslo"\nadult_age = 16\nallowed_site_groups = ["lobe"]\nchain_name = "Ærø"\n', "utf-8"
    )
    settings = read_settings(path)
    assert (settings.timezone, settings.adult_age) == ("Europe/Oslo", 16)
    assert (settings.allowed_site_groups, settings.chain_name) == (("lobe",), "Ærø")


def test_settings_cannot_be_changed_afterwards() -> None:
    for name in Settings.model_fields:
        with pytest.raises(ValidationError):
            setattr(Settings(), name, None)


@pytest.mark.parametrize(
    ("wrong", "right"),
    [
        ("timezon", "timezone"),
        ("adult-age", "adult_age"),
        ("allowed_sites", "allowed_site_groups"),
        ("chainname", "chain_name"),
        ("keepyears", "keep_years"),
        ("source", "sources"),
        ("phase", "phases"),
    ],
)
def test_an_unknown_setting_is_refused_with_the_nearest_known_one(path: Path, wrong: str, right: str) -> None:
    problem = refusal(path, f'"{wrong}" = 1\n')
    assert wrong in problem
    assert right in problem


def test_a_setting_like_no_other_is_refused_without_a_guess(path: Path) -> None:
    assert "did you mean" not in refusal(path, "xyzzy = 1\n")


def test_every_fault_is_told_at_once(path: Path) -> None:
    problem = refusal(
        path,
        'keep_years = 1\ntimezone = "Mars/Olympus"\nadult_age = "old"\nallowed_site_groups = ["nose"]\ncolour = 1\n',
    )
    assert all(name in problem for name in ("timezone", "adult_age", "allowed_site_groups", "colour", "keep_years"))


@pytest.mark.parametrize(
    "text",
    [
        'adult_age = "18"',
        "adult_age = true",
        "adult_age = 18.5",
        "adult_age = -1",
        "adult_age = 121",
        "keep_years = 1",
        "keep_years = 101",
        "keep_years = 3.0",
        "sources = 1",
        "[sources]\nfiles = 'a'",
        "phases = 1",
        "[phases]\nfrom = 2031-05-04",
        "timezone = 1",
        'timezone = ""',
        'timezone = "europe/london"',
        "locale = 1",
        'locale = ""',
        'locale = "German"',
        'allowed_site_groups = "lobe"',
        'allowed_site_groups = ["nose"]',
        "allowed_site_groups = [1]",
        "chain_name = 1",
        f'chain_name = "{"x" * 81}"',
        "[settings]\nadult_age = 18",
    ],
)
def test_a_value_of_another_kind_is_refused_by_the_setting_s_name(path: Path, text: str) -> None:
    assert text.replace("[", "").split()[0].rstrip("]") in refusal(path, text)


@pytest.mark.parametrize(
    "text", ["adult_age = ", "adult_age 18", b"chain_name = '\xff'", "adult_age = 1\nadult_age = 2"]
)
def test_what_is_no_toml_is_refused(path: Path, text: str | bytes) -> None:
    assert "TOML" in refusal(path, text)


def test_a_file_that_cannot_be_read_is_refused(tmp_path: Path) -> None:
    for path in (tmp_path / "missing.toml", tmp_path):
        with pytest.raises(UsageError, match="cannot be read"):
            read_settings(path)


def test_the_inbox_s_settings_come_before_the_current_folder_s(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    inbox = tmp_path / "inbox"
    inbox.mkdir()
    assert find_settings(inbox) is None
    Path("scapha.toml").touch()
    assert find_settings(inbox) == find_settings(None) == Path("scapha.toml")
    (inbox / "scapha.toml").touch()
    assert find_settings(inbox) == inbox / "scapha.toml"


def test_no_zone_is_accepted_that_the_store_cannot_compute_with() -> None:
    with duckdb.connect() as con:
        computable = {name for (name,) in con.execute("select name from pg_timezone_names()").fetchall()}
    assert known_zones() <= computable
    unknown = available_timezones() - known_zones()
    for zone in unknown:
        with pytest.raises(ValidationError):
            Settings(timezone=zone)


@pytest.mark.parametrize(
    ("name", "meant"),
    [
        ("de_CHE", " (did you mean de-CH?)"),
        ("en-GBR", " (did you mean en-GB?)"),
        ("xx-GB", ""),
        ("en_GB.UTF-8", ""),
    ],
)
def test_an_unknown_locale_is_refused_with_the_nearest_known_one(path: Path, name: str, meant: str) -> None:
    told = f"locale must be a language and region that CLDR knows, such as en-GB{meant}, line 1"
    assert told in refusal(path, f'locale = "{name}"\n')


def test_a_locale_may_be_a_language_alone_and_in_any_spelling(path: Path) -> None:
    for name in ("en-GB", "de", "de_ch", "sr-Latn-RS", "es-419"):
        path.write_text(f'locale = "{name}"\n', encoding="utf-8")
        assert read_settings(path).locale == name


def test_a_fault_is_told_with_its_line(path: Path) -> None:
    problem = refusal(path, '# first\n\nallowed_site_groups = [\n  "lobe",\n  "nose",\n]\nadult_age = 200\n')
    assert "allowed_site_groups must be any of lobe, other, other_cartilage, upper_cartilage, line 3" in problem
    assert "adult_age must be 120 or less, line 7" in problem


def test_sources_in_single_brackets_are_refused_with_the_remedy(path: Path) -> None:
    assert "sources must begin with [[sources]]" in refusal(path, '[sources]\nfiles = "a"\n')


def test_every_fault_of_a_phase_is_told_with_its_line(path: Path) -> None:
    problem = refusal(
        path,
        '[[phases]]\nfrom = "2031-05-04"\nreason = " "\n[[phases]]\nfrom = 2031-05-04T10:00:00\nreson = "new studs"\n'
        f'[[phases]]\nfrom = 2031-05-04\nreason = "{"x" * 201}"\nbranch = ""\n',
    )
    for told in (
        "phases[1].from must be a day such as 2031-05-04, without quotation marks and time, line 2",
        "phases[1].reason must say why the phase begins: a baseline is never changed in silence, line 3",
        "phases[2].from must be a day such as 2031-05-04, without quotation marks and time, line 5",
        "phases[2].reason is missing, line 4",
        "phases[2].reson is no setting of a phase (did you mean reason?), line 6",
        "phases[3].reason must have 200 characters at most, line 9",
        "phases[3].branch must not be empty, line 10",
    ):
        assert told in problem
    assert "phases must begin with [[phases]], in two brackets, for each phase" in refusal(path, "[phases]\n")


def test_phases_are_read_in_their_order(path: Path) -> None:
    path.write_text('[[phases]]\nfrom = 2031-05-04\nreason = "new studs"\n[[phases]]\nfrom = 2030-01-07\n'
                    'reason = "new lead"\nbranch = "B02"\n', "utf-8")  # fmt: skip
    phases = read_settings(path).phases
    assert [(phase.from_on, phase.reason, phase.branch) for phase in phases] == [
        (date(2031, 5, 4), "new studs", None),
        (date(2030, 1, 7), "new lead", "B02"),
    ]


def test_a_mark_at_the_beginning_does_no_harm(path: Path) -> None:
    path.write_bytes(b"\xef\xbb\xbfadult_age = 16\r\n")
    assert read_settings(path).adult_age == 16


def test_settings_nested_without_end_are_refused(path: Path) -> None:
    assert "TOML" in refusal(path, f"adult_age = {'[' * 100_000}")


def test_years_kept_by_default_hold_every_rate() -> None:
    longest = max(complication.window_days for complication in COMPLICATIONS) + REPORTING_LAG_DAYS + RATE_PERIOD_DAYS
    assert Settings(keep_years=2).keep_years * 365 < longest <= Settings().keep_years * 365
    assert all(
        complication.window_days + REPORTING_LAG_DAYS + RATE_PERIOD_DAYS <= 2 * 365
        for complication in COMPLICATIONS
        if complication.window_days <= 90
    )


def test_all_that_holds_is_shown_with_where_it_is_from(path: Path) -> None:
    path.write_text(SOURCES, "utf-8")
    rows = {name: (value, origin) for name, value, origin in shown(read_settings(path), path)}
    assert {name: row for name, row in rows.items() if row[1] != "default"} == {
        "timezone": ('"Europe/Oslo"', f"{path}, line 2"),
        "allowed_site_groups": ('["lobe"]', f"{path}, line 3"),
        "sources[1].files": ('"till/*.csv"', f"{path}, line 7"),
        "sources[1].delimiter": ('"\\t"', f"{path}, line 8"),
        "sources[1].columns.sale_id": ('"Bon-Nr"', f"{path}, line 9"),
        "sources[1].columns.line_no": ('"Pos"', f"{path}, line 9"),
        "sources[2].table": ('"procedures"', f"{path}, line 12"),
        "sources[2].values.site": ('{ Ohrlappen = "lobe" }', f"{path}, line 13"),
        "sources[2].values.ear": ('{ L = "left" }', f"{path}, line 14"),
        "sources[2].split": ('{ column = "ear", value = "both", into = ["left", "right"] }', f"{path}, line 15"),
        "sources[2].constants.branch_id": ('"B01"', f"{path}, line 17"),
        "phases[1].from": ("2031-05-04", f"{path}, line 20"),
        "phases[1].reason": ('"new studs"', f"{path}, line 21"),
    }
    assert rows["sources[2].files"] == ('"**"', "default")
    assert rows["adult_age"] == ("18", "default")


def test_without_a_file_the_defaults_are_shown_or_what_a_night_kept() -> None:
    assert {origin for _, _, origin in shown(Settings(), None)} == {"default"}
    assert {name for name, _, _ in shown(Settings(), None)} == set(Settings().model_dump(exclude_none=True))
    kept = {name: origin for name, _, origin in shown(Settings(adult_age=16), None)}
    assert [name for name, origin in kept.items() if origin != "default"] == ["adult_age"]


texts = st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=6)
pairs = st.dictionaries(st.sampled_from(["sale_id", "line_no", "sold_at"]), texts.map(lambda text: f"<{text}>"))


@st.composite
def all_settings(draw: st.DrawFn) -> Settings:
    sources = st.builds(
        Source,
        files=texts.map(lambda text: text.replace("\\", "").lstrip("./") + "*"),
        sheet=st.none() | texts,
        delimiter=st.sampled_from([";", "\t", "|"]),
        quote=st.sampled_from(["", "'", '"']),
        thousands_mark=st.sampled_from([None, "'", " "]),
        serial_dates=st.sampled_from([None, 1900, 1904]),
        columns=pairs,
        values=st.just({})
        | st.fixed_dictionaries({"ear": st.dictionaries(texts.map(str.strip), st.just("left"), max_size=1)}),
    )
    phases = st.builds(
        lambda day, reason, branch: DeclaredPhase.model_validate(
            {"from": day, "reason": f"<{reason}>", "branch": branch}
        ),
        st.dates(),
        texts,
        st.none() | texts,
    )
    return Settings(
        chain_name=draw(texts),
        phases=tuple(draw(st.lists(phases, max_size=3))),
        sources=tuple(draw(st.lists(sources, max_size=3))),
    )


@untimed
@given(all_settings())
def test_settings_written_as_toml_read_back_equal(settings: Settings) -> None:
    assert Settings.model_validate(tomllib.loads(as_toml(settings))) == settings


@untimed
@given(all_settings())
def test_settings_come_back_from_the_text_the_store_keeps(settings: Settings) -> None:
    assert Settings.model_validate_json(settings.model_dump_json()) == settings


def test_every_setting_survives_toml_and_the_store(path: Path) -> None:
    path.write_text(SOURCES, "utf-8")
    settings = read_settings(path)
    assert Settings.model_validate(tomllib.loads(as_toml(settings))) == settings
    with duckdb.connect() as con:
        con.execute("create table kept_settings (settings varchar)")
        assert kept_settings(con) == Settings()
        keep_settings(con, settings)
        assert kept_settings(con) == settings


def test_settings_kept_before_a_setting_was_known_still_read() -> None:
    assert Settings.model_validate_json('{"chain_name":"","timezone":"UTC","adult_age":18}') == Settings()
