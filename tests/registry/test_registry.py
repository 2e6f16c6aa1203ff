"""The schema registry: one declaration, everything else derived."""

from __future__ import annotations

import duckdb
import polars as pl
import pytest

from pipeline.core.errors import SchemaError
from pipeline.registry import conform, ddl, empty, polars_schema, registry


def test_every_field_is_used_and_has_a_known_source() -> None:
    """A declared field stands in a table, and its source is declared too."""
    used = {column.field.name for table in registry().tables.values() for column in table.columns}
    assert set(registry().fields) - used == set()
    assert {field.source for field in registry().fields.values()} <= set(registry().sources)


@pytest.mark.parametrize("name", sorted(registry().fields))
def test_units_stand_in_names(name: str) -> None:
    """A quantity in volts, amperes, seconds, kilowatt-hours, ohms or UTC says so in its name."""
    unit = registry().fields[name].unit
    suffix = {
        "V": "_v",
        "A": "_a",
        "s": "_s",
        "kWh": "_kwh",
        "ohm": "_ohm",
        "kW": "_kw",
        "%": "_pct",
    }.get(unit or "")
    assert suffix is None or name.endswith(suffix) or name == "stage_seconds"
    assert (registry().fields[name].type == "timestamp") == name.endswith("_utc")


@pytest.mark.parametrize("table", sorted(registry().tables))
def test_ddl_and_polars_schema_agree(table: str) -> None:
    """What DuckDB makes of the derived DDL comes back as the derived polars schema."""
    con = duckdb.connect()
    con.execute("SET TimeZone = 'UTC'")
    con.execute(ddl(table))
    assert pl.DataFrame(
        con.sql(f'SELECT * FROM "{table}"').to_arrow_table()
    ).schema == polars_schema(table)
    assert set(registry().tables[table].key) <= set(registry().tables[table].column_names)


def test_conform_refuses_missing_columns_and_forbidden_nulls() -> None:
    """Null never passes silently, nor does a missing column; the message names it."""
    with pytest.raises(SchemaError, match="byte_offset"):
        conform(empty("out_rejected").drop("byte_offset"), "out_rejected")
    row = pl.DataFrame(
        [[None, 1, 2, "cut", "x"]], schema=polars_schema("out_rejected"), orient="row"
    )
    with pytest.raises(SchemaError, match="nulls in file"):
        conform(row, "out_rejected")
