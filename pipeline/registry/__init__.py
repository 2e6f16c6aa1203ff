"""The schema registry.

Columns, tables, codes, rules and signatures as declared in `schemas/`, read once.
"""

from pipeline.registry.declarations import (
    QUICK_LOADER,
    SCHEMAS,
    Column,
    Field,
    Registry,
    Table,
    conform,
    ddl,
    empty,
    load_folder,
    polars_schema,
    registry,
)

__all__ = [
    "QUICK_LOADER",
    "SCHEMAS",
    "Column",
    "Field",
    "Registry",
    "Table",
    "conform",
    "ddl",
    "empty",
    "load_folder",
    "polars_schema",
    "registry",
]
