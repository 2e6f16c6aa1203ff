"""The check step.

Great Expectations over a finished warehouse, results as JSON, and whether any reject rule exceeds
its rate.
"""

from __future__ import annotations

import json
import os
import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.core.errors import StoreError, WhichsideError
from pipeline.storage.warehouse import reading
from pipeline.validate.evaluate import COUNTS, evaluate, forget
from pipeline.validate.rules import rules

EXIT_EXCEEDED = 8
_COLUMNS_SCHEMA = {
    "table": pl.String,
    "column": pl.String,
    "expectation": pl.String,
    "success": pl.Boolean,
    "unexpected": pl.Int64,
}


@dataclass(frozen=True)
class CheckResult:
    """What a check found.

    `rules`: one row a rule: `rule, family, severity, checked, offending, not_judged, rate,
    max_rate, exceeded, expected_rows` (`expected_rows` is Great Expectations' own count of
    unexpected rows; it equals `offending`). `columns`: one row a column expectation: `table,
    column, expectation, success, unexpected`. `report`: Great Expectations' results by table, as
    JSON takes them.
    """

    store: Path
    rules: pl.DataFrame
    columns: pl.DataFrame
    report: dict[str, Any]

    @property
    def exceeded(self) -> list[str]:
        """Reject rules above their stated rate."""
        return self.rules.filter("exceeded")["rule"].to_list()

    @property
    def exit_code(self) -> int:
        """0, or 8 when a reject rule exceeds its stated rate."""
        return EXIT_EXCEEDED if self.exceeded else 0

    def to_json(self) -> str:
        """The whole result as JSON."""
        body = {
            "exceeded": self.exceeded,
            "rules": self.rules.to_dicts(),
            "columns": self.columns.to_dicts(),
            "great_expectations": self.report,
        }
        return json.dumps(body, default=str, indent=1)


def check(store: Path) -> CheckResult:
    """Check a warehouse, read only.

    Raises StoreError when there is none or its path holds $ or ?, WhichsideError when the `check`
    extra is not installed.
    """
    with reading(store) as con:
        counts = evaluate(con).group_by("rule").agg(pl.col(COUNTS).sum())
        forget(con)
    report = run_expectations(store)
    return CheckResult(store, _rules(counts, report), _columns(report), report)


def run_expectations(store: Path) -> dict[str, Any]:
    """Great Expectations' results of every suite by table, from the DuckDB file opened read only."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the library's own, about its own dependencies
        return _run_suites(store, _library())


def _library() -> Any:
    os.environ["GX_ANALYTICS_ENABLED"] = "false"  # read at import: nothing is ever sent
    try:
        import duckdb_engine  # noqa: F401, PLC0415 - the dialect comes with it
        import great_expectations  # noqa: PLC0415 - an extra, and seconds to import
    except ImportError as error:
        raise WhichsideError(
            f"the check step needs Great Expectations, which is not here: {error}",
            next_step="pip install 'whichside[check]'",
        ) from error
    return great_expectations


def _run_suites(store: Path, library: Any) -> dict[str, Any]:
    from pipeline.validate.duckdb_cure import duckdb_connection_kept  # noqa: PLC0415 - imports the library
    from pipeline.validate.suites import suites  # noqa: PLC0415

    context = library.get_context(mode="ephemeral")
    context.enable_analytics(enable=False)
    context.variables.progress_bars = {"globally": False}
    with duckdb_connection_kept():
        source = context.data_sources.add_sql("warehouse", connection_string=_address(store))
        try:
            return {
                table: source.add_table_asset(table, table_name=table)
                .add_batch_definition_whole_table("all")
                .get_batch()
                .validate(
                    library.ExpectationSuite(name=table, expectations=expectations),
                    result_format="BASIC",
                )
                .to_json_dict()
                for table, expectations in suites().items()
            }
        finally:
            with source.get_execution_engine().get_connection() as kept:
                kept.close()
            source.get_execution_engine().engine.dispose()
            source.get_engine().dispose()


def _address(store: Path) -> str:
    path = str(store.resolve())
    if set("$?") & set(
        path
    ):  # $NAME is filled in from the environment, ? begins the options, neither can be escaped
        raise StoreError(
            "a warehouse whose path holds $ or ? cannot be checked",
            where=path,
            next_step="move or copy it",
        )
    return f"duckdb:///{path}?access_mode=read_only"


def _rules(counts: pl.DataFrame, report: dict[str, Any]) -> pl.DataFrame:
    seen = {
        result["expectation_config"]["meta"]["rule"]: result["result"].get("observed_value")
        for table in report.values()
        for result in table["results"]
        if "rule" in result["expectation_config"]["meta"]
    }
    declared = pl.DataFrame(
        [(r.name, r.family, r.severity, r.max_rate, seen.get(r.name)) for r in rules().values()],
        schema={
            "rule": pl.String,
            "family": pl.String,
            "severity": pl.String,
            "max_rate": pl.Float64,
            "expected_rows": pl.Int64,
        },
        orient="row",
    )
    rate = pl.when(pl.col("checked") > 0).then(pl.col("offending") / pl.col("checked"))
    return (
        declared.join(counts, on="rule", how="left", maintain_order="left")
        .with_columns(pl.col(COUNTS).fill_null(0))
        .with_columns(rate=rate)
        .with_columns(exceeded=(pl.col("rate") > pl.col("max_rate")).fill_null(value=False))
        .select(
            "rule", "family", "severity", *COUNTS, "rate", "max_rate", "exceeded", "expected_rows"
        )
    )


def _columns(report: dict[str, Any]) -> pl.DataFrame:
    rows = [
        (table, result["expectation_config"]["meta"]["column"], result["expectation_config"]["type"], result["success"],
         result["result"].get("unexpected_count"))
        for table, of_table in report.items()
        for result in of_table["results"]
        if "column" in result["expectation_config"]["meta"]
    ]  # fmt: skip
    return pl.DataFrame(rows, schema=_COLUMNS_SCHEMA, orient="row")
