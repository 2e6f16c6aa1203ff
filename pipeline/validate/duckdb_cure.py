"""Let Great Expectations read a DuckDB file.

It closes the connection before it fetches, except for dialects it names; DuckDB's cursor then has
nothing left ('list index out of range'). Naming DuckDB among them is the whole cure. A test fails
when it is no longer needed.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from enum import StrEnum


class _Kept(StrEnum):
    """A dialect whose connection is kept.

    Great Expectations asks for `.value` and compares with text.
    """

    DUCKDB = "duckdb"


@contextmanager
def duckdb_connection_kept() -> Iterator[None]:
    """Within, Great Expectations keeps its DuckDB connection open."""
    from great_expectations.execution_engine import sqlalchemy_execution_engine as engine  # noqa: PLC0415 - slow import

    before = engine._PERSISTED_CONNECTION_DIALECTS  # noqa: SLF001 - there is no public way
    engine._PERSISTED_CONNECTION_DIALECTS = (*before, _Kept.DUCKDB)  # noqa: SLF001
    try:
        yield
    finally:
        engine._PERSISTED_CONNECTION_DIALECTS = before  # noqa: SLF001
