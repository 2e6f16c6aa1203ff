"""The schema registry.

Columns, tables, codes, rules and signatures as declared in `schemas/`, read once.
"""

from pipeline.registry.declarations import (
    Column,
    Field,
    Registry,
    Table,
    conform,
    ddl,
    empty,
    polars_schema,
    registry,
)
from pipeline.registry.files import SCHEMAS, load_file, load_folder

__all__ = [
    "SCHEMAS",
    "Column",
    "Field",
    "Registry",
    "Table",
    "conform",
    "ddl",
    "empty",
    "load_file",
    "load_folder",
    "polars_schema",
    "registry",
]
