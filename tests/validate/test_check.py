"""The check step.

Great Expectations on a DuckDB file, the same counts as our own SQL, an exit code.
"""

from __future__ import annotations

import builtins
import json
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipeline.core.errors import StoreError, WhichsideError
from pipeline.registry import registry
from pipeline.storage.warehouse import writing
from pipeline.validate import check, rules
from pipeline.validate.check_step import EXIT_EXCEEDED, run_expectations

from .cases import OPEN, attempt, hour, pilot, statuses
from .worlds import World, fill

WORLD: World = {
    **pilot((0, "A1", OPEN, {"high_v": 10.8}), (5, "C2", OPEN, {"low_v": -12.0})),
    **statuses(("Available", "NoError"), ("Finishing", "NoError")),
    "core_attempt": [hour(0), hour(7200, energy_kwh=-1.0)],
}


def store(folder: Path, world: World) -> Path:
    """A finished warehouse file."""
    path = folder / "w.duckdb"
    with writing(path) as con:
        fill(con, world)
    return path


@pytest.fixture(scope="module")
def checked(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """One check of a world with faults of four rules."""
    return check(store(tmp_path_factory.mktemp("check"), WORLD))


def test_both_count_alike(checked: Any) -> None:
    """Great Expectations' count of unexpected rows of each rule is the count of our own pass."""
    assert checked.rules["rule"].to_list() == list(rules())
    assert checked.rules["expected_rows"].to_list() == checked.rules["offending"].to_list()
    fired = set(checked.rules.filter(pl.col("offending") > 0)["rule"])
    assert fired == {"level_a", "pilot_c_without_b", "status_move_not_allowed", "energy_negative"}


def test_a_reject_rule_above_its_rate_fails_the_check(checked: Any) -> None:
    """One of two attempts rejected is above one in a hundred: exit code 8; notes never fail it."""
    assert checked.exceeded == ["energy_negative"]
    assert checked.exit_code == EXIT_EXCEEDED


def test_a_reject_rule_below_its_rate_passes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One rejected attempt in two hundred is below one in a hundred.

    The warehouse is not written to.
    """
    monkeypatch.setattr("pipeline.validate.check_step.run_expectations", lambda _store: {})
    path = store(
        tmp_path,
        {"core_attempt": [hour(3600 * i, energy_kwh=-1.0 if i == 7 else 1.0) for i in range(200)]},
    )
    before = path.read_bytes()
    result = check(path)
    assert result.rules.filter(rule="energy_negative")["rate"].item() == pytest.approx(1 / 200)
    assert result.exit_code == 0
    assert path.read_bytes() == before


def test_columns_are_checked_as_declared(checked: Any) -> None:
    """Every declared value list, range and 'not null' of raw_ and core_ tables is an expectation,
    and holds.
    """
    declared = [
        (table.name, column.name)
        for table in registry().tables.values()
        if table.name.startswith(("raw_", "core_"))
        for column in table.columns
        for stated in (
            not column.nullable,
            bool(column.field.values),
            (column.field.minimum, column.field.maximum) != (None, None),
        )
        if stated
    ]
    assert sorted(checked.columns.select("table", "column").rows()) == sorted(declared)
    assert checked.columns["success"].all()


def test_a_value_outside_its_declaration_fails_its_column(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A word that the field does not list is unexpected, in that column alone."""
    expected = {"core_attempt": _suites()["core_attempt"]}
    monkeypatch.setattr("pipeline.validate.suites.suites", lambda: expected)
    results = run_expectations(store(tmp_path, attempt(outcome="vanished")))["core_attempt"][
        "results"
    ]
    failed = [r["expectation_config"]["meta"].get("column") for r in results if not r["success"]]
    assert failed == ["outcome"]


def _suites() -> dict[str, list[Any]]:
    from pipeline.validate.suites import suites  # noqa: PLC0415 - slow import, here alone

    return suites()


def test_results_are_json_without_an_outside_host(checked: Any) -> None:
    """The result is JSON with every rule and column; it loads nothing from anywhere."""
    body = json.loads(checked.to_json())
    assert body["exceeded"] == ["energy_negative"]
    assert len(body["rules"]) == len(rules())
    assert "http" not in checked.to_json()


def test_the_cure_is_still_needed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without the cure Great Expectations cannot read a DuckDB file.

    When this fails, pipeline/validate/duckdb_cure.py can go.
    """
    import great_expectations.expectations as gxe  # noqa: PLC0415 - slow import, here alone
    from great_expectations.execution_engine import sqlalchemy_execution_engine as engine  # noqa: PLC0415

    one = {
        "core_attempt": [
            gxe.ExpectColumnValuesToNotBeNull(column="attempt_id", meta={"column": "attempt_id"})
        ]
    }
    monkeypatch.setattr("pipeline.validate.suites.suites", lambda: one)
    path = store(tmp_path, attempt())
    kept = engine._PERSISTED_CONNECTION_DIALECTS
    assert run_expectations(path)["core_attempt"]["success"]
    assert kept == engine._PERSISTED_CONNECTION_DIALECTS, "the cure leaves nothing behind"

    from contextlib import nullcontext  # noqa: PLC0415

    monkeypatch.setattr("pipeline.validate.duckdb_cure.duckdb_connection_kept", nullcontext)
    try:
        uncured = run_expectations(path)["core_attempt"]["success"]
    except Exception:  # noqa: BLE001 - any way of failing shows the need
        uncured = False
    assert not uncured


def test_without_the_extra_the_message_says_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A missing Great Expectations is a WhichsideError with the cure, not a traceback."""
    real = builtins.__import__

    def without(name: str, *args: Any, **kwargs: Any) -> Any:
        if name.startswith("great_expectations"):
            raise ImportError(name)
        return real(name, *args, **kwargs)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(WhichsideError, match=r"whichside\[check\]"):
        check(store(tmp_path, attempt()))


def test_no_warehouse_is_said_so(tmp_path: Path) -> None:
    """A path without a warehouse raises StoreError that names it."""
    with pytest.raises(StoreError, match=r"none\.duckdb"):
        check(tmp_path / "none.duckdb")


def test_a_path_that_cannot_be_given_is_said_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A path with $ or ? raises StoreError before anything is tried; blanks are fine.

    Afterwards the warehouse can be written.
    """
    one = {"core_attempt": _suites()["core_attempt"]}
    monkeypatch.setattr("pipeline.validate.suites.suites", lambda: one)
    path = store(tmp_path, attempt())
    odd = tmp_path / "a $x b"
    odd.mkdir()
    with pytest.raises(StoreError, match=r"\$ or \?"):
        run_expectations(path.rename(odd / "w.duckdb"))
    plain = tmp_path / "a b"
    plain.mkdir()
    moved = (odd / "w.duckdb").rename(plain / "w.duckdb")
    assert run_expectations(moved)["core_attempt"]["success"]
    with writing(moved) as con:
        assert con.execute("SELECT count(*) FROM core_attempt").fetchone() == (1,)
