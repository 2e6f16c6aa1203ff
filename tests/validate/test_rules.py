"""Every rule.

The record that breaks it, the nearest that does not, and what it says of a record it cannot judge.
"""

from __future__ import annotations

import pytest

from pipeline.circuit.pilot import high_window, low_window
from pipeline.registry import registry
from pipeline.validate import explain_rule
from pipeline.validate.rules import needed_views, rules, views, with_views

from .cases import CASES
from .worlds import World, warehouse


def counted(name: str, world: World) -> tuple[int, int, int]:
    """`checked, offending, not_judged` of a rule on a world, from the rule's own SQL."""
    with warehouse(world) as con:
        checked, offending, not_judged = con.execute(rules()[name].checked_sql).fetchone() or (
            0,
            0,
            0,
        )
        rows = con.execute(rules()[name].sql).fetchall()
    assert len(rows) == offending
    assert all(row[-1] for row in rows), "each row says what was seen"
    return checked, offending, not_judged


def test_every_rule_has_its_cases() -> None:
    """A rule without a breaking and a sound record does not pass the suite.

    40 or more rules in six families.
    """
    assert set(CASES) == set(rules())
    assert len(rules()) >= 40
    assert {rule.family for rule in rules().values()} == {
        "pilot_sequence",
        "pilot_level",
        "ocpp",
        "energy",
        "identity",
        "time",
    }


@pytest.mark.parametrize("name", list(rules()))
def test_rule_catches_what_breaks_it(name: str) -> None:
    """The least record that breaks the rule is caught."""
    checked, offending, _ = counted(name, CASES[name].breaks)
    assert 1 <= offending <= checked


@pytest.mark.parametrize("name", list(rules()))
def test_rule_passes_the_nearest_sound_record(name: str) -> None:
    """The nearest record that does not break the rule is judged and passes."""
    checked, offending, _ = counted(name, CASES[name].sound)
    assert checked >= 1
    assert offending == 0


@pytest.mark.parametrize("name", [rule.name for rule in rules().values() if rule.needs])
def test_null_is_never_sound(name: str) -> None:
    """Where a value the rule needs is missing, the record is neither caught nor sound.

    It is not judged.
    """
    rule = rules()[name]
    counts = ", ".join(rule.counts().values())
    with warehouse(CASES[name].breaks) as con:
        caught_before = (con.execute(rule.checked_sql).fetchone() or (0, 0, 0))[1]
        for column in rule.needs:
            con.execute(
                f"CREATE OR REPLACE TEMP TABLE one AS {with_views(rule.records)}SELECT * FROM {rule.records}"
            )
            con.execute(f"UPDATE one SET {column} = NULL")
            _, offending, not_judged = con.execute(
                f"{with_views(rule.problem)}SELECT {counts} FROM one"
            ).fetchone() or (0, 0, 0)
            assert offending == 0, column
            assert not_judged >= caught_before, column


def test_declarations_hold_together() -> None:
    """Sources and tables are declared; views name their tables.

    Each rule's needs are columns of its view.
    """
    for view in views().values():
        assert set(view.tables) <= set(registry().tables)
    for rule in rules().values():
        with warehouse({}) as con:
            columns = {
                row[0]
                for row in con.execute(
                    f"DESCRIBE {with_views(rule.records)}SELECT * FROM {rule.records}"
                ).fetchall()
            }
        assert set(rule.needs) <= columns, rule.name
        assert rule.source in registry().sources
        assert rule.clause
        assert needed_views(rule.records)


def test_the_53_moves() -> None:
    """OCPP 1.6 section 4.9 (as given by two secondary transcriptions that agree).

    53 moves, 7 6 6 6 6 4 4 6 8 by origin.
    """
    asked = f"{with_views('ocpp16_status')}SELECT from_word, count(DISTINCT to_word) FROM ocpp16_status GROUP BY 1"
    with warehouse({}) as con:
        counted_moves = con.execute(asked).fetchall()
    by_origin = dict(counted_moves)
    assert by_origin == {
        "Available": 7, "Preparing": 6, "Charging": 6, "SuspendedEV": 6, "SuspendedEVSE": 6,
        "Finishing": 4, "Reserved": 4, "Unavailable": 6, "Faulted": 8,
    }  # fmt: skip
    assert sum(by_origin.values()) == 53
    assert len(counted_moves) == 9


FLAGGED_MOVES = [
    ("Available", "Finishing"), ("Preparing", "Reserved"), ("Preparing", "Unavailable"), ("Charging", "Preparing"),
    ("SuspendedEV", "Preparing"), ("SuspendedEVSE", "Preparing"), ("Finishing", "Charging"), ("Finishing", "SuspendedEVSE"),
    ("Reserved", "Charging"), ("Reserved", "Finishing"), ("Unavailable", "Finishing"), ("Unavailable", "Reserved"),
]  # fmt: skip


@pytest.mark.parametrize(("origin", "target"), FLAGGED_MOVES)
def test_moves_the_standard_leaves_out_are_caught(origin: str, target: str) -> None:
    """A6, B7, B8, C2, D2, E2, F3, F5, G3, G6, H6, H7 of the table (OCPP 1.6 section 4.9, secondary
    source) are not allowed.
    """
    rows = [{"at_utc": 60 * i, "status": status} for i, status in enumerate((origin, target))]
    assert counted("status_move_not_allowed", {"core_signal": rows})[:2] == (1, 1)


def test_a_restart_between_two_statuses_makes_no_move() -> None:
    """After BootNotification a station says its statuses again.

    What it said before is no move's origin.
    """
    rows = [
        {"at_utc": 0, "status": "Charging"},
        {"at_utc": 60, "action": "BootNotification", "connector_id": None},
        {"at_utc": 90, "status": "Preparing"},
    ]
    assert counted("status_move_not_allowed", {"core_signal": rows})[1] == 0


def test_shorted_and_leaking_diodes_are_no_impossible_records() -> None:
    """What a faulty diode does to the levels (derived.

    IEC 61851-1 Annex A values) is evidence and no rule's business.
    """
    halves = {"B2": (8.22, 8.79, 9.38), "C2": (5.17, 5.62, 6.09), "D2": (2.14, 2.37, 2.61)}
    rows = [
        {"pilot_state": s, "high_v": v, "low_v": -v, "duty_pct": 26.67, "contactor": "open"}
        for s, levels in halves.items()
        for v in levels
    ]
    with warehouse({"core_pilot": [{"at_utc": i, **row} for i, row in enumerate(rows)]}) as con:
        for rule in rules().values():
            if rule.family == "pilot_level":
                assert con.execute(rule.sql).fetchall() == [], rule.name


@pytest.mark.parametrize("letter", ["A", "B", "C", "D"])
def test_level_windows_are_those_of_the_circuit(letter: str) -> None:
    """level_a to level_d: the corners of the tolerances (derived.

    B, C, D as IEC 61851-1 Table A.3 from memory).
    """
    limits = rules()[f"level_{letter.lower()}"].limits
    window = high_window(letter)
    assert (limits["lo_v"], limits["hi_v"]) == (round(window.lo_v, 2), round(window.hi_v, 2))


@pytest.mark.parametrize("letter", ["B", "C", "D"])
def test_no_level_rule_reaches_a_shorted_diode(letter: str) -> None:
    """The widened windows hold every level a shorted diode can give, both halves (derived).

    Such rows are never caught.
    """
    limits = rules()[f"level_{letter.lower()}"].limits
    high, low = high_window(letter, shorted=True), low_window(letter, shorted=True)
    assert limits["lo_v"] - limits["widen_v"] < high.lo_v
    assert high.hi_v < limits["hi_v"] + limits["widen_v"]
    assert low.hi_v < rules()["low_side_missing"].limits["limit_v"]


def test_duty_law_agrees_with_its_worked_examples() -> None:
    """The current duty_above_rating reads from a duty cycle (worked examples of IEC 61851-1 Table
    A.8's laws, derived).
    """
    for duty_pct, current_a in (
        (8, 6),
        (10, 6),
        (26.67, 16),
        (53.33, 32),
        (80, 48),
        (85, 51),
        (86, 55),
        (92, 70),
        (96, 80),
        (96.5, 80),
    ):
        row = {"pilot_state": "C2", "duty_pct": float(duty_pct)}
        for rating, caught in ((current_a - 1.1, 1), (current_a - 0.9, 0)):
            world: World = {"core_pilot": [row], "core_evse": [{"max_current_a": rating}]}
            assert counted("duty_above_rating", world)[1] == caught, (duty_pct, rating)


def test_rules_explain_themselves() -> None:
    """Every rule tells its meaning, severity, source with clause, and who acts, with its limits
    filled in.
    """
    for rule in rules().values():
        told = explain_rule(rule.name)
        assert rule.meaning in told
        assert rule.clause in told
        assert rule.acts in told
        assert "{" not in told
