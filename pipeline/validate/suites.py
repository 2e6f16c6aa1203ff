"""Great Expectations suites from the declarations: one expectation a rule, and what the registry
says of each column.

Imported by the check step alone: Great Expectations takes seconds to import and is an extra.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import great_expectations.expectations as gxe

from pipeline.registry import Column, registry
from pipeline.validate.rules import Rule, rules, views

PREFIXES = ("raw_", "core_")
"""Tables whose columns are checked: what came in, and the fleet's history."""


def suites() -> dict[str, list[Any]]:
    """Expectations of each table: its columns', and those of the rules that rest on it first."""
    made = {
        name: list(_of_columns(table.columns))
        for name, table in registry().tables.items()
        if name.startswith(PREFIXES)
    }
    for rule in rules().values():
        made[views()[rule.records].tables[0]].append(of_rule(rule))
    return made


def of_rule(rule: Rule) -> Any:
    """The rule as an expectation that its SQL yields no row."""
    # the batch is named in a comment: the SQL names its tables itself, and a query without it is
    # complained about on stdout
    return gxe.UnexpectedRowsExpectation(
        unexpected_rows_query=f"{_escaped(rule.sql)} /* {{batch}} */",
        description=rule.meaning,
        meta={
            "rule": rule.name,
            "severity": rule.severity,
            "source": rule.source,
            "clause": rule.clause,
        },
    )


def _escaped(sql: str) -> str:
    return sql.replace("{", "{{").replace("}", "}}")


def _of_columns(columns: Sequence[Column]) -> Iterator[Any]:
    for column in columns:
        field, meta = column.field, {"column": column.name}
        if not column.nullable:
            yield gxe.ExpectColumnValuesToNotBeNull(column=column.name, meta=meta)
        if field.values:
            yield gxe.ExpectColumnValuesToBeInSet(
                column=column.name, value_set=list(field.values), meta=meta
            )
        if field.minimum is not None or field.maximum is not None:
            yield gxe.ExpectColumnValuesToBeBetween(
                column=column.name, min_value=field.minimum, max_value=field.maximum, meta=meta
            )
