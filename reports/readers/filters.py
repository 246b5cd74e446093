"""What is left of a result for a reader: rows of others go, people become numbers, lines become places in a count."""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import polars as pl

PLAIN = ("all", "branch", "site", "site_group", "ear", "article", "material", "lot", "batch", "age_band")
"""Dimensions whose levels are no person."""
PERSON = "practitioner"
_LEVELS = (("dimension", "level"), ("cause_dimension", "cause_level"))
_IDENTIFIERS = ("signal_id", "incident_id")


@dataclass(frozen=True)
class Whole:
    """What filters go by: every result of the edition, and the branch that is read for, if it is one's."""

    results: Mapping[str, pl.DataFrame]
    branch_id: str = ""

    @cached_property
    def is_telling_of_one_other(self) -> bool:
        """Whether just one other branch has piercings: whatever rests on the whole chain would tell of it."""
        piercing = self.results["weekly"].filter(pl.col("procedures") > 0)
        return piercing.filter(pl.col("branch_id") != self.branch_id)["branch_id"].n_unique() == 1

    @cached_property
    def people(self) -> dict[str, str]:
        """A number for each practitioner of whom a reader hears that does not see their code."""
        exposures = self.results["exposures"].filter("signal")
        frames = (exposures, self.results["signals"], self.results["incidents"])
        pairs = {
            pair
            for frame in frames
            for dimension, level in _LEVELS
            if dimension in frame.columns
            for pair in frame.select(dimension, level).drop_nulls().iter_rows()
        }
        codes = {part for pair in pairs for name, part in _parts(*pair) if name == PERSON}
        return {code: f"(unnamed {number})" for number, code in enumerate(sorted(codes), start=1)}

    @cached_property
    def secret_identifiers(self) -> dict[str, str]:
        """The digests within identifiers of what is about a practitioner, each with a number: codes can be tried."""
        signals, incidents = self.results["signals"], self.results["incidents"]
        digests = {
            identifier.partition("-")[2]
            for frame, column in ((signals, "signal_id"), (incidents, "incident_id"))
            for identifier, dimension in frame.select(column, "dimension").iter_rows()
            if PERSON in dimension.split(":")
        }
        told = {name.partition("-")[2] for name in signals["signal_id"]} | {
            name.partition("-")[2] for name in incidents["incident_id"]
        }
        of_unknown = {name.partition("-")[2] for name in signals["incident_id"]} - told
        return {digest: f"unnamed-{number}" for number, digest in enumerate(sorted(digests | of_unknown), start=1)}

    @cached_property
    def files(self) -> dict[str, int]:
        """A number for each file: its name may hold anything."""
        names = pl.concat([self.results["intake"]["file"], self.results["file_volumes"]["file"]])
        return {name: number for number, name in enumerate(names.unique().sort(), start=1)}


def everything(frame: pl.DataFrame, _: Whole) -> pl.DataFrame:
    """All rows."""
    return frame


def no_people(frame: pl.DataFrame, _: Whole) -> pl.DataFrame:
    """Rows of levels that are no person, nor a pair with one."""
    return frame.filter(pl.col("dimension").is_in(PLAIN))


def chain_and_branches(frame: pl.DataFrame, _: Whole) -> pl.DataFrame:
    """Rows of the whole chain and of branches."""
    return frame.filter(pl.col("dimension").is_in(("all", "branch")))


def unnamed(frame: pl.DataFrame, whole: Whole) -> pl.DataFrame:
    """All rows whose levels are things, places or practitioners; these as numbers, in levels and identifiers."""
    for dimension, level in _LEVELS:
        if dimension in frame.columns:
            known = [name for name in frame[dimension].unique() if name and set(name.split(":")) <= {*PLAIN, PERSON}]
            levels = [_unnamed(name, part, whole.people) for name, part in frame.select(dimension, level).iter_rows()]
            frame = frame.with_columns(pl.Series(level, levels, dtype=pl.String)).filter(pl.col(dimension).is_in(known))
    for name in _IDENTIFIERS:
        if name in frame.columns:
            digest = pl.col(name).str.slice(2)
            frame = frame.with_columns(
                pl.concat_str(pl.col(name).str.head(2), digest.replace(whole.secret_identifiers)).alias(name)
            )
    return frame


def weeks_of_no_person(frame: pl.DataFrame, whole: Whole) -> pl.DataFrame:
    """Rows of incident_weeks of incidents that are of no practitioner."""
    plain = [
        identifier
        for identifier, dimension in whole.results["incidents"].select("incident_id", "dimension").iter_rows()
        if set(dimension.split(":")) <= set(PLAIN)
    ]
    return frame.filter(pl.col("incident_id").is_in(plain))


def unnamed_causes(frame: pl.DataFrame, whole: Whole) -> pl.DataFrame:
    """Rows of levels that are no person, and of practitioners that stand out over the year, by number."""
    return unnamed(frame.filter(pl.col("dimension").is_in(PLAIN) | pl.col("signal")), whole)


def unnamed_where(frame: pl.DataFrame, whole: Whole) -> pl.DataFrame:
    """Rows of cause_branches as `unnamed_causes` has them; of practitioners the days alone, not where and how many."""
    key = ["complication", "dimension", "level"]
    is_person = ~pl.col("dimension").is_in(PLAIN)
    standing = whole.results["exposures"].filter("signal").select(key)
    told = pl.concat([frame.filter(~is_person), frame.filter(is_person).join(standing, on=key, how="semi")])
    kept = ("procedures", "events", "branch_id")
    return unnamed(told, whole).with_columns(pl.when(~is_person).then(pl.col(name)).alias(name) for name in kept)


def numbered_files(frame: pl.DataFrame, whole: Whole) -> pl.DataFrame:
    """All rows, files by their table and a number."""
    number = pl.col("file").replace_strict(whole.files, return_dtype=pl.Int64)
    return frame.with_columns(pl.format("{} file {}", "table", number).alias("file"))


def numbered_lines(frame: pl.DataFrame, _: Whole) -> pl.DataFrame:
    """All rows of rejected_rows, each line of each file by a number of no meaning."""
    return frame.with_columns(pl.struct("file", "sha256", "table", "line").rank("dense").cast(pl.Int64).alias("line"))


def numbered_piercings(frame: pl.DataFrame, _: Whole) -> pl.DataFrame:
    """All rows, piercings by a number of no meaning."""
    return frame.with_columns(pl.col("procedure_id").rank("dense").cast(pl.String))


def own(frame: pl.DataFrame, whole: Whole) -> pl.DataFrame:
    """Rows of the reader's branch."""
    return frame.filter(pl.col("branch_id") == whole.branch_id)


def own_level(frame: pl.DataFrame, whole: Whole) -> pl.DataFrame:
    """Rows whose level is the reader's branch."""
    return frame.filter((pl.col("dimension") == "branch") & (pl.col("level") == whole.branch_id))


def own_weeks(frame: pl.DataFrame, whole: Whole) -> pl.DataFrame:
    """Rows of weekly of the reader's branch; what is expected as pages write it, or gone where it tells of another."""
    if whole.is_telling_of_one_other:
        return own(frame, whole).drop("infections_expected")
    return own(frame, whole).with_columns(pl.col("infections_expected").round(1))


def own_completion(frame: pl.DataFrame, whole: Whole) -> pl.DataFrame:
    """Rows of completion of the reader's branch, none where they tell of another: how fast is known is the chain's."""
    rounded = own_level(frame, whole).with_columns(pl.col("known_share").round(2), pl.col("expected_final").round(1))
    return rounded.clear() if whole.is_telling_of_one_other else rounded


def own_comparison(frame: pl.DataFrame, whole: Whole) -> pl.DataFrame:
    """Rows of comparison of the reader's branch, as pages write them; none where they tell of another branch.

    In full precision what is expected would tell the chain's counts.
    """
    rounded = own(frame, whole).with_columns(pl.col(pl.Float64).round(2)).with_columns(pl.col("expected").round(1))
    return rounded.clear() if whole.is_telling_of_one_other else rounded


def met_here(frame: pl.DataFrame, whole: Whole) -> pl.DataFrame:
    """Rows of causes that the reader's branch met."""
    key = ["complication", "dimension", "level"]
    return frame.join(own(whole.results["cause_branches"], whole).select(key), on=key, how="semi")


def standing_out_here(frame: pl.DataFrame, whole: Whole) -> pl.DataFrame:
    """Rows of exposures that stand out and that the reader's branch met."""
    return met_here(frame.filter("signal"), whole)


def _parts(dimension: str, level: str) -> list[tuple[str, str]]:
    """A slice's dimensions, each with its level."""
    return list(zip(dimension.split(":"), level.split(":"), strict=True)) if ":" in dimension else [(dimension, level)]


def _unnamed(dimension: str | None, level: str | None, people: Mapping[str, str]) -> str | None:
    if dimension is None or level is None:
        return level
    return ":".join(people[part] if name == PERSON else part for name, part in _parts(dimension, level))
