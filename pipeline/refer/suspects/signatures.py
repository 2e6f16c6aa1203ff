"""Weights of evidence: declared tables of how often each sign goes with each suspect.

A table (schemas/signatures) holds P(category | suspect). Signs come as a frame of amounts: how many
independent witnesses (EVSEs for a vehicle, vehicles for an EVSE) showed a category. The weight of a
signature for a suspect is the sum of amount times log P; confirmed cases add their amounts to the
table (Dirichlet counts), so before and after can be shown.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.core.errors import SchemaError
from pipeline.registry import load_folder

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

NO_FAULT, OTHERS = "none", "others"
EITHER = "|"
"""Joins categories that a source cannot tell apart; findings teach nothing of such a sign."""
SIGN_COLUMNS = ("unit", "signature", "category", "amount")
LESSON_COLUMNS = ("suspect", "signature", "category", "amount")


@dataclass(frozen=True)
class Signature:
    """One declared signature: `table` has a row per suspect, a column per category.

    `strength` is its worth in cases.
    """

    name: str
    title: str
    categories: tuple[str, ...]
    suspects: tuple[str, ...]
    table: Floats
    strength: float
    direct: bool
    source: str
    words: tuple[str, ...]

    def each(self, categories: pl.Series) -> Floats:
        """1 at the column of each category, of `a|b`, where a source cannot tell the two, at either (rows, categories).

        Times a row of the table it is P(category | suspect), of either their sum.
        """
        distinct = categories.unique()
        places = np.array([self._places(one) for one in distinct]).reshape(distinct.len(), -1)
        return np.asarray(places[self._column(categories, distinct.to_list())])

    def columns(self, categories: pl.Series) -> Ints:
        """Column of each category, none of them `a|b` (rows,)."""
        return self._column(categories, list(self.categories))

    @staticmethod
    def _column(of: pl.Series, among: list[str]) -> Ints:
        found = of.replace_strict(among, range(len(among)), return_dtype=pl.Int64)
        return found.to_numpy().astype(np.int64)

    def _places(self, category: str) -> Floats:
        """1 at the columns of a category (categories,)."""
        either = category.split(EITHER)
        return np.array([float(one in either) for one in self.categories])

    def in_words(self, category: str) -> str:
        """The category's wording; either of two."""
        return ", or ".join(
            self.words[self.categories.index(one)] for one in category.split(EITHER)
        )

    def learnt(self, lessons: pl.DataFrame) -> Signature:
        """The signature with confirmed cases added: posterior mean of Dirichlet rows.

        `lessons` has LESSON_COLUMNS.
        """
        counts = np.zeros_like(self.table)
        mine = lessons.filter(
            pl.col("signature") == self.name,
            pl.col("category").is_in(self.categories),
            pl.col("suspect").is_in(self.suspects),
        )
        rows = [self.suspects.index(s) for s in mine["suspect"]]
        columns = [self.categories.index(c) for c in mine["category"]]
        np.add.at(counts, (rows, columns), mine["amount"].to_numpy())
        table = (self.strength * self.table + counts) / (
            self.strength + counts.sum(axis=1, keepdims=True)
        )
        return replace(self, table=table)


@cache
def declared(kind: str) -> Mapping[str, Signature]:
    """Declared signatures of `vehicle` or `evse`, the prior (one row) among them as `<kind>_prior`.

    Raises SchemaError where rows do not match their categories or do not sum to 1.
    """
    prior = f"{kind}_prior"
    bodies = load_folder("signatures")
    suspects = tuple(bodies[prior]["categories"])
    found: dict[str, Signature] = {}
    for name, body in bodies.items():
        if "rows" not in body or name.startswith("evse_") != (kind == "evse"):
            continue
        expected = (
            (kind,) if name == prior else (*suspects, *((NO_FAULT,) if body.get("direct") else ()))
        )
        rows, categories = _spelt_out(name, body["rows"], expected), tuple(body["categories"])
        table = np.array(list(rows.values()), dtype=np.float64)
        if len(body.get("words", categories)) != len(categories):
            raise SchemaError(
                f"signature {name}: one wording for each of {len(categories)} categories"
            )
        if (
            table.shape != (len(rows), len(categories))
            or np.abs(table.sum(axis=1) - 1).max() > 1e-9
            or table.min() <= 0
        ):
            raise SchemaError(
                f"signature {name}: each row needs {len(categories)} probabilities above 0 that sum to 1"
            )
        found[name] = Signature(
            name, body["title"], categories, tuple(rows), table,
            float(body["strength"]), bool(body.get("direct", False)), body["source"],
            tuple(body.get("words", categories)),
        )  # fmt: skip
    return found


def _spelt_out(
    name: str, rows: Mapping[str, list[float]], expected: tuple[str, ...]
) -> dict[str, list[float]]:
    """A row for each expected suspect, in that order; `others` stands for all that are not named."""
    strange, missing = set(rows) - {*expected, OTHERS}, [s for s in expected if s not in rows]
    if strange or (missing and OTHERS not in rows) or (OTHERS in rows and not missing):
        raise SchemaError(
            f"signature {name}: rows must be {', '.join(expected)}, or some of them and {OTHERS}"
        )
    return {suspect: rows.get(suspect, rows.get(OTHERS, [])) for suspect in expected}


@cache
def word_groups() -> Mapping[str, str]:
    """Category of `fault_word` for each canonical fault code that has one."""
    groups = load_folder("signatures")["fault_word_groups"]
    return {word: group for group, words in groups.items() for word in words}


def learnt(kind: str, lessons: pl.DataFrame) -> dict[str, Signature]:
    """All signatures of a kind with the lessons of confirmed cases added."""
    return {name: signature.learnt(lessons) for name, signature in declared(kind).items()}
