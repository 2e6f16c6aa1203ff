"""What the rules' findings do.

Results, rates, firmware-wide habits, rows of `core_impossible`, weights of attempts.
"""

from __future__ import annotations

import polars as pl

from pipeline.settings.validate import ValidateSettings
from pipeline.storage.warehouse import Connection, replace, seeing, statement
from pipeline.validate.evaluate import COUNTS, evaluate, forget
from pipeline.validate.rules import WHO_CARRIES_IT, Rule, rules, views


def validate(con: Connection, settings: ValidateSettings) -> None:
    """Run every rule and act on what it caught.

    Fills core_rule_result (one row a rule), core_rule_station and core_rule_firmware (rates),
    core_impossible (one row a caught record, or one a firmware where a rule is that firmware's
    habit; rejected records always singly), and sets core_attempt.distrust and weight: reject 0,
    distrust `distrust_weight`, else 1. Running it again gives the same.

    Parameters
    ----------
    con
        The warehouse, its core tables made.
    settings
        Weight of what is distrusted, and from what share on a rule is a firmware's habit.

    """
    counts = evaluate(con, settings.settled_days)
    firmwares = by_firmware(counts, settings)
    replace(con, "core_rule_result", rule_results(counts, _rows(con), firmwares))
    replace(con, "core_rule_station", by_station(counts))
    replace(con, "core_rule_firmware", firmwares)
    whole = firmwares.filter("whole_firmware", pl.col("severity") != "reject").select(
        "rule", "evse_model", "firmware"
    )
    acts = pl.DataFrame({"rule": list(rules()), "acts": [rule.acts for rule in rules().values()]})
    with seeing(con, whole=whole, rule_acts=acts):
        con.execute(statement(__file__, "who_acts"), {"either": WHO_CARRIES_IT})
        con.execute("DELETE FROM core_impossible")
        con.execute(f"INSERT INTO core_impossible {statement(__file__, 'impossible')}")
    con.execute(statement(__file__, "weigh"), {"weight": settings.distrust_weight})
    forget(con)


def _severities() -> pl.DataFrame:
    return pl.DataFrame(
        {"rule": list(rules()), "severity": [rule.severity for rule in rules().values()]}
    )


def by_station(counts: pl.DataFrame) -> pl.DataFrame:
    """One row a rule x station: `rule, severity, station_id, checked, offending, not_judged`."""
    grouped = (
        counts.filter(pl.col("station_id").is_not_null())
        .group_by("rule", "station_id")
        .agg(pl.col(COUNTS).sum())
    )
    return grouped.join(_severities(), on="rule").sort("rule", "station_id")


def by_firmware(counts: pl.DataFrame, settings: ValidateSettings) -> pl.DataFrame:
    """One row a rule x EVSE model x firmware, in form of core_rule_firmware.

    A firmware is caught whole when a rule fires on nearly all its stations (`firmware_share` of at
    least `firmware_stations`) and `firmware_contrast` times as often per record as at the firmwares
    where it does not fire on nearly all.
    """
    keys = ["rule", "evse_model", "firmware"]
    grouped = (
        counts.filter(pl.col("station_id").is_not_null())
        .group_by(keys)
        .agg(
            stations=pl.col("station_id").filter(pl.col("checked") > 0).n_unique().cast(pl.Int64),
            stations_caught=pl.col("station_id")
            .filter(pl.col("offending") > 0)
            .n_unique()
            .cast(pl.Int64),
            **{name: pl.col(name).sum() for name in COUNTS},
        )
    )
    broad = (
        (pl.col("stations") >= settings.firmware_stations)
        & (pl.col("stations_caught") >= settings.firmware_share * pl.col("stations"))
        & pl.col("evse_model").is_not_null()
    )
    elsewhere = grouped.filter(~broad).group_by("rule").agg(
        others_checked=pl.col("checked").sum(), others_offending=pl.col("offending").sum()
    )  # fmt: skip
    rate = pl.col("offending") / pl.col("checked")
    other_rate = pl.when(pl.col("others_checked") > 0).then(
        pl.col("others_offending") / pl.col("others_checked")
    )
    contrast = (rate >= settings.firmware_contrast * pl.col("elsewhere_rate")).fill_null(value=True)
    return (
        grouped.with_columns(broad=broad)
        .join(elsewhere, on="rule", how="left")
        .with_columns(elsewhere_rate=pl.when("broad").then(other_rate))
        .with_columns(whole_firmware=pl.col("broad") & contrast)
        .join(_severities(), on="rule")
        .sort(keys)
    )


def rule_results(
    counts: pl.DataFrame, rows: dict[str, int], firmwares: pl.DataFrame
) -> pl.DataFrame:
    """One row a rule, in form of core_rule_result; `rows` are the rows of each table rules rest on.

    `not_evaluated` where no record could be judged, with the reason; else `invalid` where any was
    caught, else `valid`.
    """
    totals = {
        row["rule"]: row
        for row in counts.group_by("rule").agg(pl.col(COUNTS).sum()).iter_rows(named=True)
    }
    whole = dict(firmwares.filter("whole_firmware").group_by("rule").len().iter_rows())
    none = dict.fromkeys(COUNTS, 0)
    return pl.DataFrame(
        [
            _result(rule, totals.get(rule.name, none), rows, whole.get(rule.name, 0))
            for rule in rules().values()
        ],
        infer_schema_length=None,
    )


def _result(
    rule: Rule, total: dict[str, int], rows: dict[str, int], whole: int
) -> dict[str, object]:
    detail: str | None
    checked, offending, not_judged = (total[name] for name in COUNTS)
    if checked == 0:
        result, detail = "not_evaluated", _why_not(rule, not_judged, rows)
    else:
        result = "invalid" if offending else "valid"
        notes = [f"{not_judged} records could not be judged: {_needs(rule)}"] if not_judged else []
        notes += [f"{whole} firmware{'s' if whole > 1 else ''} as a whole"] if whole else []
        detail = "; ".join(notes) or None
    counts = {"checked": checked, "offending": offending, "not_judged": not_judged}
    return {
        "rule": rule.name,
        "severity": rule.severity,
        "rule_result": result,
        **counts,
        "detail": detail,
    }


def _why_not(rule: Rule, not_judged: int, rows: dict[str, int]) -> str:
    empty = [table for table in views()[rule.records].tables if not rows[table]]
    if empty:
        return f"{', '.join(empty)} holds no row"
    if not_judged:
        return f"none of {not_judged} records can be judged: {_needs(rule)}"
    return "no record of the kind the rule speaks of"


def _needs(rule: Rule) -> str:
    return f"needs {', '.join(rule.needs)}" if rule.needs else "a value is missing"


def _rows(con: Connection) -> dict[str, int]:
    tables = sorted({table for view in views().values() for table in view.tables})
    counted = con.execute(
        " UNION ALL ".join(f"SELECT '{table}', count(*) FROM {table}" for table in tables)
    ).fetchall()
    return {str(table): int(count) for table, count in counted}
