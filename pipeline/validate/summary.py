"""What validation found, as plain frames for the pages and the check."""

from __future__ import annotations

import polars as pl

from pipeline.registry import registry
from pipeline.storage.warehouse import Connection, read
from pipeline.validate.rules import rules, views

_EQUIPMENT = """
    WITH of_attempts AS (
        SELECT station_id, count(*) AS attempts, count(*) FILTER (WHERE weight = 0) AS attempts_rejected,
               count(*) FILTER (WHERE distrust AND weight > 0) AS attempts_distrusted
        FROM core_attempt GROUP BY 1),
    of_rules AS (
        SELECT station_id, count(*) FILTER (WHERE offending > 0) AS rules_fired,
               sum(offending) FILTER (WHERE severity <> 'note') AS hard_records, sum(offending) AS records
        FROM core_rule_station GROUP BY 1),
    of_station AS (SELECT station_id, min(site_id) AS site_id, min(evse_model) AS evse_model FROM core_evse GROUP BY 1)
    SELECT station_id, site_id, evse_model, attempts, attempts_rejected, attempts_distrusted,
           CASE WHEN attempts > 0 THEN (attempts_rejected + attempts_distrusted) / attempts END AS share_not_trusted,
           coalesce(rules_fired, 0) AS rules_fired, coalesce(hard_records, 0)::BIGINT AS hard_records,
           coalesce(records, 0)::BIGINT AS records
    FROM of_station FULL JOIN of_attempts USING (station_id) FULL JOIN of_rules USING (station_id)
    ORDER BY share_not_trusted DESC NULLS LAST, records DESC, station_id
"""
_RATE = pl.when(pl.col("checked") > 0).then(pl.col("offending") / pl.col("checked")).alias("rate")


def validation_summary(con: Connection) -> dict[str, pl.DataFrame]:
    """What the last `validate` found. All frames may be empty, none is missing.

    - `rules`, a row a rule: `rule, family, severity, rule_result, checked, offending, not_judged,
      rate, max_rate, detail,
      meaning, source, clause, acts`; `rate` is the share of judged records caught, null where none
      could be judged.
    - `families`, a row a family: `family, rules, valid, invalid, not_evaluated, offending`.
    - `stations`, a row a rule x station that caught something, highest rate first: `rule, severity,
      station_id, checked,
      offending, not_judged, rate`.
    - `firmware`, a row a rule x EVSE model x firmware that caught something, whole firmwares first:
      `rule, severity,
      evse_model, firmware, stations, stations_caught, checked, offending, not_judged, rate,
      elsewhere_rate, whole_firmware`.
    - `equipment`, a row a station, least trusted first: `station_id, site_id, evse_model, attempts,
      attempts_rejected,
      attempts_distrusted, share_not_trusted, rules_fired, hard_records` (of rules that reject or
      distrust), `records`.
    """
    results = read(con, "core_rule_result").join(
        _declared(), on="rule", how="left", maintain_order="left"
    )
    of_rules = results.with_columns(_RATE).select(
        "rule", "family", "severity", "rule_result", "checked", "offending", "not_judged", "rate", "max_rate", "detail",
        "meaning", "source", "clause", "acts",
    )  # fmt: skip
    caught = pl.col("offending") > 0
    return {
        "rules": of_rules,
        "families": _families(of_rules),
        "stations": read(con, "core_rule_station")
        .filter(caught)
        .with_columns(_RATE)
        .sort("rate", "rule", descending=[True, False]),
        "firmware": read(con, "core_rule_firmware")
        .filter(caught)
        .with_columns(_RATE)
        .sort("whole_firmware", "rate", "rule", descending=[True, True, False]),
        "equipment": pl.DataFrame(con.sql(_EQUIPMENT).to_arrow_table()),
    }


def _declared() -> pl.DataFrame:
    sources = registry().sources
    return pl.DataFrame(
        [
            (r.name, r.family, r.max_rate, r.meaning, f"{sources[r.source].title} ({sources[r.source].seen})", r.clause, r.acts)
            for r in rules().values()
        ],
        schema={
            "rule": pl.String, "family": pl.String, "max_rate": pl.Float64, "meaning": pl.String, "source": pl.String,
            "clause": pl.String, "acts": pl.String,
        },
        orient="row",
    )  # fmt: skip


def _families(of_rules: pl.DataFrame) -> pl.DataFrame:
    results = registry().fields["rule_result"].values
    return (
        of_rules.group_by("family", maintain_order=True)
        .agg(
            pl.len().alias("rules"),
            *((pl.col("rule_result") == result).sum().alias(result) for result in results),
            pl.col("offending").sum(),
        )
        .select("family", "rules", *results, "offending")
    )


def explain_rule(name: str) -> str:
    """A rule in words: meaning, severity, source, who acts, what it looks at and its SQL.

    Raises KeyError for no rule.
    """
    rule = rules()[name]
    source = registry().sources[rule.source]
    lines = [
        f"{rule.name}: {rule.meaning}",
        f"Severity: {rule.severity}"
        + (f", up to a share of {rule.max_rate:g}" if rule.max_rate is not None else ""),
        f"Source:   {source.title} ({source.seen}); {rule.clause}",
        f"Acts:     {rule.acts}",
        f"Looks at: {rule.records} ({views()[rule.records].meaning}), where {rule.scope}",
        f"Problem:  {rule.problem}",
    ]
    return "\n".join(lines)
