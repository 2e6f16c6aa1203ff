"""The store's tables, made from their declarations, with triggers that refuse any change."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

import sqlalchemy as sa

from pipeline.registry import registry

FIRST_TABLES = ("decision_review", "decision_finding", "decision_lesson", "decision_referral")
"""Those every store has; the others are added when an older store is opened."""
TABLES = (
    *FIRST_TABLES,
    "decision_reading",
    "decision_withdrawal",
    "decision_attachment",
    "decision_work",
)


class UtcText(sa.types.TypeDecorator[datetime]):
    """An aware UTC instant, kept as ISO 8601 text so that every database sorts and shows it alike."""

    impl = sa.String(32)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: sa.Dialect) -> str | None:  # noqa: ARG002
        """Instant to text."""
        if value is None:
            return None
        # not strftime: it writes the year 26 as '26', which nothing reads back
        return value.astimezone(UTC).replace(tzinfo=None).isoformat(timespec="microseconds") + "Z"

    def process_result_value(self, value: str | None, dialect: sa.Dialect) -> datetime | None:  # noqa: ARG002
        """Text to instant."""
        return None if value is None else datetime.fromisoformat(value)


_ddl: Any = sa.DDL  # its constructor is untyped
_TYPES: Mapping[str, Any] = {
    "text": sa.Text(),
    "int": sa.BigInteger(),
    "float": sa.Float(53),
    "timestamp": UtcText(),
}
METADATA = sa.MetaData()


def _table(name: str) -> sa.Table:
    declared = registry().table(name)
    columns = [
        sa.Column(c.name, _TYPES[c.field.type], nullable=c.nullable) for c in declared.columns
    ]
    number = sa.Column("number", sa.Integer, primary_key=True, autoincrement=True)
    unique = [sa.UniqueConstraint(*declared.key)] if declared.key else []
    table = sa.Table(name, METADATA, number, *columns, *unique, sqlite_autoincrement=True)
    for event in ("update", "delete"):
        sa.event.listen(
            table,
            "after_create",
            _ddl(_SQLITE_TRIGGER.format(name=name, event=event)).execute_if("sqlite"),
        )
    for event in ("update", "delete", "truncate"):
        sa.event.listen(
            table,
            "after_create",
            _ddl(_POSTGRES_TRIGGER.format(name=name, event=event)).execute_if("postgresql"),
        )
    return table


_SQLITE_TRIGGER = (
    "CREATE TRIGGER {name}_no_{event} BEFORE {event} ON {name} "
    "BEGIN SELECT RAISE(ABORT, 'decisions are append-only'); END"
)
_POSTGRES_TRIGGER = """
CREATE OR REPLACE FUNCTION decisions_append_only() RETURNS trigger LANGUAGE plpgsql AS
$$ BEGIN RAISE EXCEPTION 'decisions are append-only'; END $$;
CREATE TRIGGER {name}_no_{event} BEFORE {event} ON {name} FOR EACH STATEMENT EXECUTE FUNCTION decisions_append_only()
"""
REVIEW, FINDING, LESSON, REFERRAL, READING, WITHDRAWAL, ATTACHMENT, WORK = (
    _table(name) for name in TABLES
)
