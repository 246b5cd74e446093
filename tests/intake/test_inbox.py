"""Which files of an inbox are opened, as which table, and in which order."""

import os
from pathlib import Path

import pytest

from pipeline.errors import UsageError, UserError
from pipeline.intake.inbox import form_of, look_into, open_file, table_of
from support.exports import Nights, export, fill


@pytest.mark.parametrize(
    ("name", "table"),
    [
        ("procedures_2031-05-04.csv", "procedures"),
        ("procedures-north.csv", "procedures"),
        ("procedures.csv", "procedures"),
        ("procedures.old_2.csv.gz", "procedures"),
        ("follow_ups.csv", "follow_ups"),
        ("follow_ups_1.csv", "follow_ups"),
        ("stock_counts-1.csv", "stock_counts"),
        ("stock.csv", None),
        ("follow.csv", None),
        ("proceduresx.csv", None),
        ("procedures 1.csv", None),
        ("Procedures.csv", None),
        ("my_procedures.csv", None),
        ("salesman.csv", None),
        ("procedures", None),
    ],
)
def test_a_file_s_table_is_its_name_up_to_the_first_mark_after_the_table_s_name(name: str, table: str | None) -> None:
    found = table_of(name)
    assert (found and found.name) == table


@pytest.mark.parametrize(
    ("name", "form"),
    [
        ("procedures.csv", ("csv", False)),
        ("procedures.csv.gz", ("csv", True)),
        ("procedures_1.xlsx", ("xlsx", False)),
        ("procedures.jsonl.gz", ("jsonl", True)),
        ("procedures.parquet", ("parquet", False)),
        ("procedures.CSV", None),
        ("procedures.csv.GZ", None),
        ("procedures.csv.gz.gz", None),
        ("procedures.csv.bak", None),
        ("procedures.gz", None),
        ("procedures_csv", None),
        ("procedures.tsv", None),
    ],
)
def test_only_four_forms_are_read_in_lower_case_and_gzipped_at_most_once(
    name: str, form: tuple[str, bool] | None
) -> None:
    assert form_of(name) == form


def names(inbox: Path) -> list[str]:
    return [found.name for found in look_into(inbox).exports]


def test_files_are_found_in_subfolders_and_go_by_their_path_s_code_points(tmp_path: Path) -> None:
    paths = ["b/procedures.csv", "procedures_é.csv", "procedures_Z.csv", "procedures_a.csv", "B/x/sales.csv"]
    paths += ["procedures_10.csv", "procedures_9.csv", "b.d/procedures.csv", "procedures_\U0001f600.csv"]
    paths += ["procedures_\uff21.csv"]
    fill(tmp_path, dict.fromkeys(paths, "x"))
    assert names(tmp_path) == [
        "B/x/sales.csv",
        "b.d/procedures.csv",
        "b/procedures.csv",
        "procedures_10.csv",
        "procedures_9.csv",
        "procedures_Z.csv",
        "procedures_a.csv",
        "procedures_é.csv",
        "procedures_\uff21.csv",
        "procedures_\U0001f600.csv",
    ]


def test_hidden_and_temporary_names_are_not_opened_nor_counted(tmp_path: Path) -> None:
    hidden = [".procedures.csv", "~procedures.csv", ".old/procedures.csv", "~tmp/procedures.csv", "a/.b/c/sales.csv"]
    fill(tmp_path, dict.fromkeys([*hidden, "procedures.csv"], "x"))
    assert names(tmp_path) == ["procedures.csv"]
    assert look_into(tmp_path).strangers == ()


def test_links_and_pipes_are_not_opened(tmp_path: Path) -> None:
    fill(tmp_path / "elsewhere", {"procedures.csv": "x"})
    inbox = tmp_path / "inbox"
    fill(inbox, {"sales.csv": "x"})
    (inbox / "procedures.csv").symlink_to(tmp_path / "elsewhere" / "procedures.csv")
    (inbox / "folder").symlink_to(tmp_path / "elsewhere")
    (inbox / "lots.csv").symlink_to("sales.csv")
    os.mkfifo(inbox / "articles.csv")
    assert names(inbox) == ["sales.csv"]


@pytest.mark.parametrize("make", [lambda path, to: path.symlink_to(to), lambda path, _: os.mkfifo(path)])
def test_a_link_or_pipe_that_takes_a_file_s_place_is_not_read(tmp_path: Path, make: object) -> None:
    target = tmp_path / "secret"
    target.write_text("x")
    path = tmp_path / "procedures.csv"
    assert callable(make)
    make(path, target)
    with pytest.raises(UserError, match=r"procedures\.csv"):
        open_file(path, "procedures.csv")


def test_files_of_no_table_are_counted_only(nights: Nights) -> None:
    others = {"readme.txt": "x", "clients.csv": "x", "sub/prices.xlsx": "x", "sales.csv.bak": "x", "scapha.toml": ""}
    taken = nights.take({**others, "articles.csv": export("articles", {})})
    assert (taken.others, len(taken.loads)) == (5, 1)
    assert nights.con.execute("select path from file").fetchall() == [("articles.csv",)]


@pytest.mark.parametrize("place", ["missing", "file"])
def test_an_inbox_that_is_no_folder_is_wrong_usage(tmp_path: Path, place: str) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(UsageError) as caught:
        look_into(tmp_path / place)
    assert str(tmp_path / place) in caught.value.problem
    assert caught.value.remedy


def test_a_name_that_is_no_text_stops_no_night(nights: Nights) -> None:
    nights.inbox.mkdir()
    (nights.inbox / "articles.csv").write_text(export("articles", {}))
    path = os.fsencode(nights.inbox) + b"/articles_\xff.csv"
    with open(path, "w") as file:  # noqa: PTH123 - a path that is no text
        file.write(export("articles", {"article_id": "K2"}))
    nights.take()
    assert ("K1",) in nights.values("articles", "article_id")


def test_any_other_name_is_kept_as_it_is(nights: Nights) -> None:
    odd = ["articles_'; drop table file; --.csv", "articles_\n.csv", "articles_🙂.csv", "articles_=1+1.csv"]
    nights.take({name: export("articles", {"article_id": name[9:]}) for name in odd})
    assert {path for (path,) in nights.con.execute("select path from file").fetchall()} == set(odd)
