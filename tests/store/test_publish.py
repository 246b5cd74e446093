"""Publishing: a reader meets the old site or the new one, whole, and nothing that is not ours is touched."""

import os
import stat
from collections.abc import Callable, Mapping
from pathlib import Path

import pytest

from pipeline.errors import UsageError
from pipeline.publish import built_aside, check_site_path

PAGES = {"index.html": "<p>one</p>", "tables/intake.csv": "file\n", "branch/B1.html": "<p>B1</p>"}
OTHER = PAGES | {"index.html": "<p>two</p>"}


@pytest.fixture
def site(tmp_path: Path) -> Path:
    return tmp_path / "public" / "site"


def builder(pages: Mapping[str, str]) -> Callable[[Path], None]:
    def build(folder: Path) -> None:
        for name, text in pages.items():
            (folder / name).parent.mkdir(exist_ok=True)
            (folder / name).write_text(text)

    return build


def publish(site: Path, pages: Mapping[str, str]) -> bool:
    check_site_path(site)
    with built_aside(site, builder(pages)) as put_in_place:
        return put_in_place()


def pages_of(site: Path) -> dict[str, str]:
    files = [path for path in site.rglob("*") if path.is_file()]
    return {path.relative_to(site).as_posix(): path.read_text() for path in files}


def beside(site: Path) -> set[str]:
    """Names of everything beside a site but for itself and the folder it leads to."""
    own = {site.name, site.readlink().name} if site.is_symlink() else set()
    return {path.name for path in site.parent.iterdir()} - own


def test_a_site_is_a_link_to_a_folder_beside_it_for_its_owner_s_eyes(site: Path) -> None:
    assert publish(site, PAGES)
    assert site.is_symlink()
    assert site.resolve().parent == site.parent.resolve()
    assert not site.readlink().is_absolute()
    assert stat.S_IMODE(site.stat().st_mode) == 0o700
    assert pages_of(site) == PAGES
    assert beside(site) == set()


def test_a_new_site_takes_the_old_one_s_place_and_the_old_one_goes(site: Path) -> None:
    publish(site, PAGES)
    assert publish(site, OTHER)
    assert pages_of(site) == OTHER
    assert beside(site) == set()


def test_the_same_site_again_changes_nothing(site: Path) -> None:
    publish(site, PAGES)
    before = [(path, path.lstat().st_ino, path.lstat().st_mtime_ns) for path in sorted(site.parent.rglob("*"))]
    assert not publish(site, PAGES)
    assert [(path, path.lstat().st_ino, path.lstat().st_mtime_ns) for path in sorted(site.parent.rglob("*"))] == before


def numbers_of(site: Path) -> dict[str, int]:
    """The inode of each file of a site: one that is written again has another."""
    return {path.relative_to(site).as_posix(): path.lstat().st_ino for path in site.rglob("*") if path.is_file()}


def test_only_changed_files_are_written_again(site: Path) -> None:
    publish(site, PAGES)
    before = numbers_of(site)
    publish(site, OTHER | {"branch/B2.html": PAGES["branch/B1.html"]})
    after = numbers_of(site)
    assert pages_of(site) == OTHER | {"branch/B2.html": PAGES["branch/B1.html"]}
    kept = {name for name in after if after[name] == before.get(name)}
    assert kept == {"tables/intake.csv", "branch/B1.html"}
    assert {path.lstat().st_nlink for path in site.rglob("*") if path.is_file()} == {1}
    assert beside(site) == set()


@pytest.mark.parametrize("change", ["rights", "a link", "bytes"])
def test_a_file_that_was_meddled_with_is_written_again(site: Path, tmp_path: Path, change: str) -> None:
    publish(site, PAGES)
    page = site / "branch" / "B1.html"
    if change == "rights":
        page.chmod(0o606)
    elif change == "bytes":
        told = page.stat().st_mtime_ns
        page.write_text("<p>X1</p>")
        os.utime(page, ns=(told, told))
    else:
        (tmp_path / "elsewhere").write_text(PAGES["branch/B1.html"])
        page.unlink()
        page.symlink_to(tmp_path / "elsewhere")
    before = numbers_of(site)
    publish(site, OTHER)
    assert pages_of(site) == OTHER
    page = site / "branch" / "B1.html"
    assert not page.is_symlink()
    assert stat.S_IMODE(page.stat().st_mode) == stat.S_IMODE((site / "index.html").stat().st_mode)
    assert {name for name, number in numbers_of(site).items() if number == before[name]} == {"tables/intake.csv"}


def test_where_there_are_no_hard_links_files_are_written_again(site: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object) -> None:
        raise PermissionError

    monkeypatch.setattr(os, "link", refuse)
    publish(site, PAGES)
    before = numbers_of(site)
    assert publish(site, OTHER)
    assert pages_of(site) == OTHER
    assert not set(numbers_of(site).values()) & set(before.values())


def test_a_reader_meets_the_old_site_whole_until_the_new_one_is_put_in_place(site: Path) -> None:
    publish(site, PAGES)
    seen = []

    def build(folder: Path) -> None:
        builder(OTHER)(folder)
        seen.append(pages_of(site))

    with built_aside(site, build) as put_in_place:
        seen.append(pages_of(site))
        put_in_place()
    assert seen == [PAGES, PAGES]
    assert pages_of(site) == OTHER


def test_a_reader_with_the_old_link_s_goal_meets_no_half_site_at_any_step(
    site: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    publish(site, PAGES)
    seen = []
    for name in ("rename", "replace", "symlink_to", "unlink"):
        original = getattr(Path, name)

        def watched(self: Path, *args: object, original: Callable[..., object] = original, **kwargs: object) -> object:
            seen.append(pages_of(site))
            result = original(self, *args, **kwargs)
            seen.append(pages_of(site))
            return result

        monkeypatch.setattr(Path, name, watched)
    publish(site, OTHER)
    assert len(seen) > 4
    assert all(pages in (PAGES, OTHER) for pages in seen)


def test_a_build_that_fails_leaves_the_site_as_it_was_and_nothing_beside_it(site: Path) -> None:
    publish(site, PAGES)

    def build(folder: Path) -> None:
        builder(OTHER)(folder)
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError), built_aside(site, build):
        pass
    assert pages_of(site) == PAGES
    assert beside(site) == set()


def test_a_site_that_is_not_put_in_place_goes(site: Path) -> None:
    check_site_path(site)
    with built_aside(site, builder(PAGES)):
        pass
    assert list(site.parent.iterdir()) == []


@pytest.mark.parametrize("content", [{"precious.txt": "x"}, {"index.html": "mine"}, {".hidden": "x"}])
def test_a_folder_that_is_not_ours_is_refused(site: Path, content: Mapping[str, str]) -> None:
    site.mkdir(parents=True)
    builder(content)(site)
    with pytest.raises(UsageError) as caught:
        publish(site, PAGES)
    assert caught.value.exit_code == 2
    assert str(site) in caught.value.problem
    assert pages_of(site) == content


def test_a_file_in_the_site_s_place_is_refused(site: Path) -> None:
    site.parent.mkdir()
    site.write_text("mine")
    with pytest.raises(UsageError):
        publish(site, PAGES)
    assert site.read_text() == "mine"


def test_an_empty_folder_is_taken_for_the_site(site: Path) -> None:
    site.mkdir(parents=True)
    assert publish(site, PAGES)
    assert site.is_symlink()
    assert pages_of(site) == PAGES


def test_what_a_link_of_someone_else_s_leads_to_is_not_touched(site: Path, tmp_path: Path) -> None:
    theirs = tmp_path / "theirs"
    theirs.mkdir()
    builder({"index.html": "theirs"})(theirs)
    site.parent.mkdir()
    site.symlink_to(theirs)
    publish(site, PAGES)
    publish(site, OTHER)
    assert pages_of(theirs) == {"index.html": "theirs"}


def test_a_link_that_lags_behind_a_finished_folder_is_put_right(site: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    publish(site, PAGES)
    with monkeypatch.context() as patch:
        patch.setattr(Path, "replace", crash)
        with pytest.raises(KeyboardInterrupt):
            publish(site, OTHER)
    assert pages_of(site) == PAGES
    assert publish(site, OTHER)
    assert pages_of(site) == OTHER
    assert beside(site) == set()


def crash(*_: object, **__: object) -> None:
    raise KeyboardInterrupt


def test_a_link_that_leads_nowhere_is_put_right(site: Path) -> None:
    site.parent.mkdir()
    site.symlink_to(".site.gone")
    assert publish(site, PAGES)
    assert pages_of(site) == PAGES


def test_a_site_that_was_tampered_with_is_put_right(site: Path) -> None:
    publish(site, PAGES)
    (site / "index.html").write_text("forged")
    (site / "extra.html").write_text("forged")
    assert publish(site, PAGES)
    assert pages_of(site) == PAGES


def test_leftovers_of_a_killed_build_are_cleared_away(site: Path) -> None:
    publish(site, PAGES)
    (site.parent / ".site.building" / "tables").mkdir(parents=True)
    (site.parent / ".site.building" / "index.html").write_text("half")
    (site.parent / ".site.link").symlink_to(".site.0123456789abcdef")
    (site.parent / ".site.0123456789abcdef").mkdir()
    assert publish(site, OTHER)
    assert pages_of(site) == OTHER
    assert beside(site) == set()


@pytest.mark.parametrize("name", ["site.old", "site.2031", "site2", "other"])
def test_another_site_beside_is_not_touched(site: Path, name: str) -> None:
    other = site.with_name(name)
    publish(other, PAGES)
    publish(site, PAGES)
    publish(site, OTHER)
    assert pages_of(other) == PAGES


def test_a_folder_of_someone_s_own_beside_is_not_touched(site: Path) -> None:
    own = site.parent / ".site.notes"
    own.mkdir(parents=True)
    builder({"precious.txt": "x"})(own)
    publish(site, PAGES)
    publish(site, OTHER)
    assert pages_of(own) == {"precious.txt": "x"}


@pytest.mark.parametrize("name", ["my site", "[site]", "site*", "sité"])
def test_a_site_may_have_any_name(tmp_path: Path, name: str) -> None:
    site = tmp_path / "public" / name
    publish(site, PAGES)
    publish(site, OTHER)
    assert pages_of(site) == OTHER
    assert beside(site) == set()


def test_two_places_with_the_same_pages_have_the_same_bytes(tmp_path: Path) -> None:
    here, there = tmp_path / "here" / "site", tmp_path / "there" / "pages"
    publish(here, PAGES)
    publish(there, dict(reversed(PAGES.items())))
    assert pages_of(here) == pages_of(there)
    assert here.readlink().name.rpartition(".")[2] == there.readlink().name.rpartition(".")[2]
