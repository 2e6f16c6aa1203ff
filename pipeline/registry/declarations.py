"""The schema registry: columns, tables and sources as declared in `schemas/`, read once.

DDL, polars schemas, expectations and the data dictionary are derived from here and nowhere else.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

import polars as pl

from pipeline.core.errors import SchemaError
from pipeline.registry.files import load_folder, load_sources

_TYPES: Mapping[str, tuple[pl.DataType, str]] = {
    "text": (pl.String(), "VARCHAR"),
    "int": (pl.Int64(), "BIGINT"),
    "float": (pl.Float64(), "DOUBLE"),
    "bool": (pl.Boolean(), "BOOLEAN"),
    "timestamp": (pl.Datetime("us", "UTC"), "TIMESTAMPTZ"),
    "text_list": (pl.List(pl.String()), "VARCHAR[]"),
}


@dataclass(frozen=True)
class Field:
    """One quantity, declared once."""

    name: str
    type: str
    meaning: str
    source: str
    unit: str | None = None
    values: tuple[str, ...] = ()
    minimum: float | None = None
    maximum: float | None = None

    @property
    def polars(self) -> pl.DataType:
        """The polars type of this field."""
        return _TYPES[self.type][0]

    @property
    def sql(self) -> str:
        """The DuckDB type of this field."""
        return _TYPES[self.type][1]


@dataclass(frozen=True)
class Column:
    """A field as it stands in a table, under its name there."""

    name: str
    field: Field
    nullable: bool


@dataclass(frozen=True)
class Table:
    """A table: its grain, its key and its columns in order."""

    name: str
    grain: str
    key: tuple[str, ...]
    columns: tuple[Column, ...]

    @property
    def column_names(self) -> list[str]:
        """Names of the columns, in order."""
        return [column.name for column in self.columns]


@dataclass(frozen=True)
class Source:
    """Where a fact comes from, and how it was seen."""

    name: str
    title: str
    seen: str


@dataclass(frozen=True)
class Registry:
    """All declarations."""

    fields: Mapping[str, Field]
    tables: Mapping[str, Table]
    sources: Mapping[str, Source]

    def table(self, name: str) -> Table:
        """The table of that name; raises SchemaError naming the known ones."""
        if name not in self.tables:
            raise SchemaError(
                f"no table {name!r} is declared",
                next_step=f"use one of {', '.join(sorted(self.tables))}",
            )
        return self.tables[name]


def _column(text: str, fields: Mapping[str, Field], table: str) -> Column:
    body, nullable = (text[:-1], True) if text.endswith("?") else (text, False)
    name, _, field_name = body.partition("=")
    field_name = field_name or name
    if field_name not in fields:
        raise SchemaError(
            f"column {name!r} uses the undeclared field {field_name!r}",
            where=f"schemas/tables: {table}",
        )
    return Column(name, fields[field_name], nullable)


@cache
def registry() -> Registry:
    """The declarations of `schemas/`, read and checked once per process."""
    fields = {
        name: Field(name=name, **{**body, "values": tuple(body.get("values", ()))})
        for name, body in load_folder("fields").items()
    }
    tables = {
        name: Table(
            name=name,
            grain=body["grain"],
            key=tuple(body["key"]),
            columns=tuple(_column(text, fields, name) for text in body["columns"].split()),
        )
        for name, body in load_folder("tables").items()
    }
    sources = {name: Source(name, **body) for name, body in load_sources().items()}
    return _consistent(Registry(fields, tables, sources))


def _consistent(declared: Registry) -> Registry:
    """The declarations, if what they name exists; raises SchemaError where it does not."""
    faults = [
        f"field {field.name}: source {field.source!r} is not in schemas/sources.yaml"
        for field in declared.fields.values()
        if field.source not in declared.sources
    ]
    for table in declared.tables.values():
        twice = [n for n, times in Counter(table.column_names).items() if times > 1]
        faults += [f"table {table.name}: column {name!r} stands twice" for name in twice]
        faults += [
            f"table {table.name}: its key names {name!r}, which is no column of it"
            for name in table.key
            if name not in table.column_names
        ]
    if faults:
        raise SchemaError("; ".join(faults), where="schemas", next_step="correct the declaration")
    return declared


def polars_schema(table: str) -> pl.Schema:
    """The polars schema of a declared table."""
    return pl.Schema(
        {column.name: column.field.polars for column in registry().table(table).columns}
    )


def ddl(table: str) -> str:
    """`CREATE TABLE IF NOT EXISTS` for a declared table, NOT NULL where null is not allowed."""
    columns = ", ".join(
        f'"{column.name}" {column.field.sql}{"" if column.nullable else " NOT NULL"}'
        for column in registry().table(table).columns
    )
    return f'CREATE TABLE IF NOT EXISTS "{table}" ({columns})'


def empty(table: str) -> pl.DataFrame:
    """An empty frame of a declared table."""
    return pl.DataFrame(schema=polars_schema(table))


def conform(frame: pl.DataFrame, table: str) -> pl.DataFrame:
    """The frame with exactly the declared columns, in order and cast.

    Raises SchemaError when a column is missing or a null stands where none may.
    """
    declared = registry().table(table)
    missing = [name for name in declared.column_names if name not in frame.columns]
    if missing:
        raise SchemaError(
            f"{table} lacks {', '.join(missing)}",
            next_step=f"it has {', '.join(frame.columns)}; add what is missing",
        )
    cast = frame.select(
        pl.col(column.name).cast(column.field.polars) for column in declared.columns
    )
    nulls = [c.name for c in declared.columns if not c.nullable and cast[c.name].null_count()]
    if nulls:
        raise SchemaError(
            f"{table} has nulls in {', '.join(nulls)}",
            next_step="state them as unknown, or reject the rows",
        )
    return cast
