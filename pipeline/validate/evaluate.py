"""Run the rules over a warehouse: one pass a view counts all its rules; only rules that caught
something are asked for rows.

Reads tables, and writes none but what is settled: what it works out stands in temporary tables of the
connection, gone with `forget`.
"""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from pipeline.storage.warehouse import Connection
from pipeline.validate import settled
from pipeline.validate.rules import RECORD_COLUMNS, Rule, View, asked_of, by_view, rules, views

COUNTS = ("checked", "offending", "not_judged")
_FIRMWARE_SPAN = """
    CREATE OR REPLACE TEMP TABLE firmware_span AS
    SELECT station_id, firmware, valid_from_utc AS from_utc,
           coalesce(lead(valid_from_utc) OVER w, 'infinity'::TIMESTAMPTZ) AS to_utc
    FROM core_firmware WINDOW w AS (PARTITION BY station_id ORDER BY valid_from_utc)
"""
_CAUGHT = """
    CREATE OR REPLACE TEMP TABLE caught (
        rule VARCHAR, severity VARCHAR, station_id VARCHAR, connector_id BIGINT, at_utc TIMESTAMPTZ, attempt_id VARCHAR,
        transaction_id VARCHAR, file_id VARCHAR, line BIGINT, detail VARCHAR, settled BOOLEAN)
"""
_LINK = """
    CREATE OR REPLACE TEMP TABLE caught_at AS
    WITH of_transaction AS (
        SELECT station_id, transaction_id, any_value(attempt_id) AS attempt_id
        FROM core_attempt WHERE transaction_id IS NOT NULL GROUP BY ALL HAVING count(*) = 1)
    SELECT c.* EXCLUDE (attempt_id, transaction_id, settled),
           coalesce(c.attempt_id, t.attempt_id, CASE WHEN c.at_utc <= a.until_utc THEN a.attempt_id END) AS attempt_id,
           e.evse_model, coalesce(f.firmware, e.firmware) AS firmware
    FROM caught c
    LEFT JOIN of_transaction t ON c.station_id = t.station_id AND c.transaction_id = t.transaction_id
    ASOF LEFT JOIN (SELECT station_id, connector_id, attempt_id, plugged_at_utc,
                           coalesce(unplugged_at_utc, 'infinity'::TIMESTAMPTZ) AS until_utc FROM core_attempt) a
      ON c.station_id = a.station_id AND c.connector_id = a.connector_id AND c.at_utc >= a.plugged_at_utc
    LEFT JOIN firmware_span f ON c.station_id = f.station_id AND c.at_utc >= f.from_utc AND c.at_utc < f.to_utc
    LEFT JOIN equipment e ON c.station_id = e.station_id AND coalesce(c.connector_id, 0) = e.connector_id
"""
_EQUIPMENT = """
    CREATE OR REPLACE TEMP TABLE equipment AS
    WITH listed AS (SELECT DISTINCT ON (station_id, connector_id) station_id, connector_id, evse_model, firmware FROM core_evse
                    ORDER BY station_id, connector_id, evse_id)
    SELECT * FROM listed
    UNION ALL SELECT station_id, 0, min(evse_model), min(firmware) FROM listed GROUP BY 1 HAVING min(connector_id) > 0
"""
_SETTLED = "coalesce(v.at_utc < n.settled_until_utc, false)"
_NOT_BEFORE = "(v.at_utc >= n.from_utc) IS NOT FALSE"
"""SQL: a record's place by the frontier of its station: settled from now on, not settled before."""


def evaluate(con: Connection, settled_days: int | None = None) -> pl.DataFrame:
    """Ask all rules, and leave the temporary tables `caught`, `caught_at`, `firmware_span`,
    `equipment`.

    With `settled_days`, what is settled (`settled`) is not asked again, and what is so from now on is
    kept in the warehouse; the result is the same.

    Returns one row a rule x station x connector x firmware that has records in scope: `rule,
    station_id, connector_id, evse_model, firmware, checked, offending, not_judged`. A record whose
    question is null counts in `not_judged`, never as sound.
    """
    for statement in (_FIRMWARE_SPAN, _EQUIPMENT, _CAUGHT):
        con.execute(statement)
    settled.reach(con, None)
    counts = _judged(con, [view for view in views().values() if not view.settles])
    settling = [view for view in views().values() if view.settles]
    if settled_days is None:
        counts += _judged(con, settling)
    else:
        counts += _since_settled(con, settling, settled_days)
    con.execute(_LINK)
    return _with_equipment(con, pl.concat(counts))


def _judged(con: Connection, chosen: Sequence[View]) -> list[pl.DataFrame]:
    """Stand the views up; counts of their rules, without `settled`."""
    for view in chosen:
        _stand_up(con, view)
    return [frame.drop("settled") for frame in _asked(con, chosen)]


def _since_settled(con: Connection, settling: Sequence[View], days: int) -> list[pl.DataFrame]:
    """The same as `_judged` of settling views, from what is kept and what came since."""
    settled.recall(con, days)
    with settled.latest_only(con):
        for view in settling:
            _stand_up(con, view)
        settled.reach(con, days)
        now = pl.concat(_asked(con, settling))
    before = settled.kept(con)
    settled.keep(con, before, now)
    return [before, now.drop("settled")]


def _asked(con: Connection, chosen: Sequence[View]) -> list[pl.DataFrame]:
    """Counts of the rules of views that stand; what was caught is added to `caught`."""
    wanted, frames = by_view(rules().values()), []
    for view in chosen:
        if view.name in wanted:
            counts = _counts(con, view.name, wanted[view.name])
            offended = set(counts.filter(pl.col("offending") > 0)["rule"])
            _catch(con, [rule for rule in wanted[view.name] if rule.name in offended])
            frames.append(counts)
    return frames


def forget(con: Connection) -> None:
    """Drop the temporary tables of `evaluate`."""
    for name in ("caught", "caught_at", "caught_acts", "firmware_span", "equipment"):
        con.execute(f"DROP TABLE IF EXISTS temp.{name}")
    for view in reversed(list(views().values())):
        con.execute(f'DROP {"TABLE" if view.keep else "VIEW"} IF EXISTS temp."{view.name}"')
    settled.forget(con)


def _stand_up(con: Connection, view: View) -> None:
    """Keep of a view the columns that are asked for: a window sorts all that it hands on."""
    made = view.sql
    if view.keep:
        asked = asked_of(view.name)
        found = con.execute(f"DESCRIBE {view.sql}").fetchall()
        columns = ", ".join(f'"{name}"' for name, *_ in found if name in asked)
        made = f"SELECT {columns} FROM ({view.sql})"
    con.execute(
        f'CREATE OR REPLACE TEMP {"TABLE" if view.keep else "VIEW"} "{view.name}" AS {made}'
    )


def _counts(con: Connection, view: str, members: Sequence[Rule]) -> pl.DataFrame:
    """One pass over a view: counts of each of its rules by station, connector, firmware in force at the
    record's time, and whether it is settled from now on; without those settled before.
    """
    asked = ", ".join(
        f"{rule.judged} AS j{i}, {rule.in_scope} AS s{i}" for i, rule in enumerate(members)
    )
    counted = ", ".join(
        f"count(j{i}) AS checked_{i}, count(*) FILTER (WHERE j{i}) AS offending_{i}, "
        f"count(*) FILTER (WHERE s{i} AND j{i} IS NULL) AS not_judged_{i}"
        for i in range(len(members))
    )
    wide = pl.DataFrame(
        con.sql(f"""
            SELECT station_id, connector_id, span_firmware AS firmware, is_settled AS settled, {counted}
            FROM (SELECT station_id, connector_id, span_firmware, is_settled, {asked}
                  FROM (SELECT v.*, f.firmware AS span_firmware, {_SETTLED} AS is_settled
                        FROM "{view}" v LEFT JOIN frontier n ON v.station_id = n.station_id LEFT JOIN firmware_span f
                        ON v.station_id = f.station_id AND v.at_utc >= f.from_utc AND v.at_utc < f.to_utc
                        WHERE {_NOT_BEFORE}))
            GROUP BY ALL""").to_arrow_table()
    )
    keys = ["station_id", "connector_id", "firmware", "settled"]
    return pl.concat(
        wide.select(
            pl.lit(rule.name).alias("rule"),
            *keys,
            *(pl.col(f"{name}_{i}").alias(name) for name in COUNTS),
        )
        for i, rule in enumerate(members)
    ).filter(pl.col("checked") + pl.col("not_judged") > 0)


def _catch(con: Connection, members: Sequence[Rule]) -> None:
    for rule in members:
        columns = ", ".join(f"v.{name}" for name in RECORD_COLUMNS)
        con.execute(
            f"INSERT INTO caught SELECT ?, ?, {columns}, v.detail, {_SETTLED} FROM ({rule.select}) v"
            f" LEFT JOIN frontier n ON v.station_id = n.station_id WHERE {_NOT_BEFORE}",
            [rule.name, rule.severity],
        )


def _with_equipment(con: Connection, counts: pl.DataFrame) -> pl.DataFrame:
    """The counts with EVSE model and, where no BootNotification told it, the listed firmware."""
    equipment = pl.DataFrame(con.sql("SELECT * FROM equipment").to_arrow_table())
    return (
        counts.with_columns(listed_at=pl.col("connector_id").fill_null(0))
        .join(equipment, left_on=["station_id", "listed_at"], right_on=["station_id", "connector_id"], how="left")
        .select(
            "rule", "station_id", "connector_id", "evse_model",
            pl.coalesce("firmware", "firmware_right").alias("firmware"), *COUNTS,
        )
    )  # fmt: skip
