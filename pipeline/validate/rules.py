"""The rules, read from `schemas/rules`, and the views they look at, from `schemas/views`.

A rule is a three-valued question about each record of a view: `problem` true = caught, false =
sound, null = cannot be judged. Its offending rows and its counts are two SELECTs made from that one
declaration, so they cannot disagree.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cache
from typing import Any, Literal

from pipeline.core.errors import SchemaError
from pipeline.registry import load_folder, registry

Severity = Literal["reject", "distrust", "note"]
FAMILIES = ("pilot_sequence", "pilot_level", "ocpp", "energy", "identity", "time")
WHO_CARRIES_IT = "who carries it"
"""Acts: the fleet office where a vehicle is caught at several EVSEs, the site operator where an EVSE is with several vehicles."""
ACTORS = ("site operator", "fleet office", "workshop", WHO_CARRIES_IT)
RECORD_COLUMNS = (
    "station_id",
    "connector_id",
    "at_utc",
    "attempt_id",
    "transaction_id",
    "file_id",
    "line",
)
"""What every view has, so that a caught record can be found again."""


@dataclass(frozen=True)
class View:
    """A SELECT over declared tables (and views declared before it) that rules look at.

    `keep`: worth working out once. `settles`: what it says of a station's past need not be asked again
    while the rows it rests on stay as they were.
    """

    name: str
    meaning: str
    tables: tuple[str, ...]
    sql: str
    keep: bool = False
    settles: bool = False


@dataclass(frozen=True)
class Rule:
    """One impossible (or remarkable) state, with who says so and who can act.

    `scope` are the records the rule speaks of, `problem` is true where there is one and null where
    that cannot be told; `needs` are the columns without which it cannot; `max_rate` is the share of
    judged records a reject rule may catch.
    """

    name: str
    family: str
    severity: Severity
    meaning: str
    source: str
    clause: str
    acts: str
    records: str
    scope: str
    problem: str
    detail: str
    needs: tuple[str, ...] = ()
    max_rate: float | None = None
    limits: Mapping[str, float] = field(default_factory=dict)

    @property
    def judged(self) -> str:
        """SQL: true a problem, false none, null cannot be judged; of the records in `in_scope`."""
        return f"CASE WHEN ({self.scope}) THEN ({self.problem}) END"

    @property
    def in_scope(self) -> str:
        """SQL.

        The records the rule speaks of, or may speak of where a null hides whether it does.
        """
        return f"(({self.scope}) IS NOT FALSE)"

    @property
    def select(self) -> str:
        """The offending rows, from the view as it stands in the warehouse session."""
        columns = ", ".join(RECORD_COLUMNS)
        return f"SELECT {columns}, {self.detail} AS detail FROM {self.records} WHERE ({self.scope}) AND ({self.problem})"

    @property
    def sql(self) -> str:
        """The offending rows, on its own: the views it needs come with it."""
        return f"{with_views(self.records, self.problem)}{self.select}"

    @property
    def checked_sql(self) -> str:
        """One row on its own: `checked`, `offending`, `not_judged`."""
        counts = ", ".join(f"{expression} AS {name}" for name, expression in self.counts().items())
        return f"{with_views(self.records, self.problem)}SELECT {counts} FROM {self.records}"

    def counts(self) -> dict[str, str]:
        """The aggregates over the view that count this rule's records."""
        return {
            "checked": f"count(*) FILTER (WHERE ({self.judged}) IS NOT NULL)",
            "offending": f"count(*) FILTER (WHERE ({self.judged}))",
            "not_judged": f"count(*) FILTER (WHERE {self.in_scope} AND ({self.judged}) IS NULL)",
        }


def _allowed_moves() -> View:
    """The status changes OCPP 1.6 allows (`schemas/moves`), as a view of (from_word, to_word)."""
    moves = [
        (origin, target) for origin, targets in load_folder("moves").items() for target in targets
    ]
    rows = ", ".join(f"('{origin}', '{target}')" for origin, target in moves)
    return View(
        "ocpp16_status",
        "Status changes OCPP 1.6 allows",
        (),
        f"SELECT * FROM (VALUES {rows}) AS m(from_word, to_word)",
    )


@cache
def views() -> Mapping[str, View]:
    """All views in order of declaration; a view may only build on earlier ones."""
    declared = {
        name: View(
            name,
            body["meaning"],
            tuple(body["tables"]),
            body["sql"].strip(),
            body.get("keep", False),
            body.get("settles", False),
        )
        for name, body in load_folder("views").items()
    }
    moves = _allowed_moves()
    return {moves.name: moves, **declared}


@cache
def rules() -> Mapping[str, Rule]:
    """All rules by name.

    Raises SchemaError when one names an unknown family, actor, source or view, or a reject rule
    states no rate.
    """
    return {name: _rule(name, body) for name, body in load_folder("rules").items()}


def _rule(name: str, body: Mapping[str, Any]) -> Rule:
    limits = dict(body.get("limits", {}))
    texts: dict[str, Any] = {
        key: str(body[key]).format(**limits)
        for key in ("meaning", "clause", "scope", "problem", "detail")
    }
    plain = {key: body[key] for key in ("family", "severity", "source", "acts", "records")}
    rule = Rule(
        name=name,
        **plain,
        **texts,
        needs=tuple(body["needs"]),
        max_rate=body.get("max_rate"),
        limits=limits,
    )
    checks = (
        (rule.family in FAMILIES, f"family {rule.family!r} is none of {', '.join(FAMILIES)}"),
        (rule.acts in ACTORS, f"acts: {rule.acts!r} is none of {', '.join(ACTORS)}"),
        (
            rule.source in registry().sources,
            f"source {rule.source!r} is not in schemas/sources.yaml",
        ),
        (rule.records in views(), f"records {rule.records!r} are no view of schemas/views"),
        (
            (rule.severity == "reject") == (rule.max_rate is not None),
            "a reject rule, and no other, states max_rate",
        ),
    )
    faults = [fault for holds, fault in checks if not holds]
    if faults:
        raise SchemaError(
            "; ".join(faults), where=f"schemas/rules: {name}", next_step="mend the declaration"
        )
    return rule


def needed_views(*texts: str) -> list[View]:
    """The views these SQL texts name, and those they build on, in order of declaration."""
    wanted: set[str] = set()
    pending = list(texts)
    while pending:
        words = _words(pending.pop())
        found = {name for name in views() if name in words} - wanted
        wanted |= found
        pending += [views()[name].sql for name in found]
    return [view for view in views().values() if view.name in wanted]


@cache
def asked_of(view: str) -> frozenset[str]:
    """The words by which rules and later views ask for columns of a view; its other columns nobody needs.

    A view that hands on all columns (`*`) asks for what is asked of it.
    """
    asked = {*RECORD_COLUMNS}
    for rule in rules().values():
        if rule.records == view:
            asked |= _words(f"{rule.scope} {rule.problem} {rule.detail}")
    names = list(views())
    for later in names[names.index(view) + 1 :]:
        words = _words(views()[later].sql)
        if view in words:
            asked |= words | asked_of(later)
    return frozenset(asked)


def _words(text: str) -> set[str]:
    return set("".join(c if c.isalnum() or c == "_" else " " for c in text).split())


def with_views(*texts: str) -> str:
    """A WITH clause that brings every view these texts need."""
    needed = needed_views(*texts)
    return f"WITH {', '.join(f'{view.name} AS ({view.sql})' for view in needed)} " if needed else ""


def by_view(chosen: Iterable[Rule]) -> dict[str, list[Rule]]:
    """The rules of each view, views in order of declaration."""
    grouped: dict[str, list[Rule]] = {name: [] for name in views()}
    for rule in chosen:
        grouped[rule.records].append(rule)
    return {name: members for name, members in grouped.items() if members}
