"""Code lists: a source's word → canonical fault code. Unknown words are counted, never guessed
silently.

A word is compared without case, blanks and punctuation. `schemas/codes/*.yaml` hold our lists; a
site may put its own file before them (`normalise.codes_file`).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from functools import cache
from pathlib import Path
from typing import Any

import polars as pl
import yaml

from pipeline.core.errors import SchemaError
from pipeline.registry import load_folder

WORD_SCHEMA = {"word": pl.String(), "code_state": pl.String(), "fault": pl.String()}


@cache
def lists() -> Mapping[str, Mapping[str, Any]]:
    """All declarations of `schemas/codes`."""
    return load_folder("codes")


def fault_ranks() -> dict[str, int]:
    """How exactly each canonical code names the trouble.

    2 a part, 1 a kind, 0 that something failed.
    """
    return {name: int(body["rank"]) for name, body in lists()["fault"].items()}


def serving_authorisation() -> list[str]:
    """Codes of what is not needed once a token is accepted: reader, list of tokens, network."""
    return [name for name, body in lists()["fault"].items() if body.get("serves_authorisation")]


def plain(word: str) -> str:
    """A word without case, blanks and punctuation."""
    return re.sub(r"[\W_]+", "", word.casefold())


def openings(word: str) -> list[str]:
    """A word's rests from each of its parts on, plain: `clockFault` → `clockfault`, `fault`."""
    parts = [part.casefold() for part in re.findall(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+|\d+", word)]
    return ["".join(parts[start:]) for start in range(len(parts))]


def site_words(path: Path | None) -> dict[str, str]:
    """A site's own map `word: canonical code`.

    Raises SchemaError naming an unknown code or an unreadable file.
    """
    if path is None:
        return {}
    try:
        loaded = yaml.safe_load(path.read_text(encoding="utf-8")) or {}
    except (OSError, UnicodeDecodeError, yaml.YAMLError) as error:
        raise SchemaError(
            f"the site's code list cannot be read: {error}",
            where=str(path),
            next_step="mend it or drop codes_file",
        ) from error
    if not isinstance(loaded, dict):
        raise SchemaError(
            "a code list must map words to codes",
            where=str(path),
            next_step="write `word: code` a line",
        )
    wrong = sorted({str(code) for code in loaded.values()} - set(lists()["fault"]))
    if wrong:
        known = ", ".join(sorted(lists()["fault"]))
        raise SchemaError(
            f"no fault code is called {', '.join(wrong)}",
            where=str(path),
            next_step=f"use one of {known}",
        )
    return {plain(str(word)): str(code) for word, code in loaded.items()}


@cache
def _known(list_name: str) -> dict[str, tuple[str, str | None]]:
    body = lists()[list_name]
    known: dict[str, tuple[str, str | None]] = {
        plain(w): ("unusable", None) for w in body["unusable"]
    }
    known |= {plain(w): ("alias", code) for w, code in body["alias"].items()}
    return known | {plain(w): ("canonical", w) for w in body["canonical"]}


def look_up(word: str, list_name: str, own: Mapping[str, str]) -> tuple[str, str | None]:
    """`(code_state, fault)` of one word in one list, the site's own words first."""
    bare = plain(word)
    if bare in own:
        return "alias", own[bare]
    if bare in _known(list_name):
        return _known(list_name)[bare]
    for part, code in lists()[list_name].get("contains", {}).items():
        if any(rest.startswith(part) for rest in openings(word)):
            return "alias", code
    return "unknown", None


def table(words: Iterable[str], list_name: str, own: Mapping[str, str]) -> pl.DataFrame:
    """One row a different word: `word, code_state, fault`."""
    rows = [(word, *look_up(word, list_name, own)) for word in sorted(set(words))]
    return pl.DataFrame(rows, schema=WORD_SCHEMA, orient="row")


def with_fault(
    frame: pl.DataFrame, column: str, list_name: str, own: Mapping[str, str], into: str
) -> pl.DataFrame:
    """The frame with the canonical fault of a column's words in `into` (null: none, unusable or
    unknown).

    `<into>_trouble` is True where the word tells of a trouble, known by name or not.
    """
    said = table(frame[column].drop_nulls().unique().to_list(), list_name, own).select(
        pl.col("word").alias(column),
        pl.col("fault").alias(into),
        (pl.col("code_state") != "unusable").alias(f"{into}_trouble"),
    )
    return frame.join(said, on=column, how="left", maintain_order="left").with_columns(
        pl.col(f"{into}_trouble").fill_null(value=False)
    )


def counted(words: pl.DataFrame, own: Mapping[str, str]) -> pl.DataFrame:
    """core_word from `list_name, word, n`: every word met, what the list says of it, how often."""
    summed = (
        words.drop_nulls("word")
        .group_by("list_name", "word")
        .agg(occurrences=pl.col("n").sum().cast(pl.Int64))
    )
    said = [
        table(summed.filter(pl.col("list_name") == name)["word"].to_list(), name, own).with_columns(
            list_name=pl.lit(name)
        )
        for name in sorted(words["list_name"].unique())
    ]
    known = (
        pl.concat(said) if said else pl.DataFrame(schema={**WORD_SCHEMA, "list_name": pl.String()})
    )
    return (
        known.join(summed, on=["list_name", "word"])
        .select("list_name", "word", "code_state", "fault", "occurrences")
        .sort("list_name", "word")
    )
