"""The decisions store: append-only, safe under several people at once, validated like the file."""

from __future__ import annotations

import multiprocessing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest
import sqlalchemy as sa

from pipeline.decisions import ConflictError, DecisionError, DecisionFrames, Decisions, open_decisions
from pipeline.errors import StoreError
from pipeline.registry import polars_schema

AT = datetime(2026, 4, 2, 9, 30, tzinfo=UTC)


@pytest.fixture
def store(tmp_path: Path) -> Decisions:
    """An empty store in a folder of its own."""
    return open_decisions(tmp_path / "kept" / "decisions.db")


def test_what_is_written_comes_back_in_order(store: Decisions) -> None:
    """Reviews, findings, lessons and referrals come back as frames of the declared schema."""
    store.review("V1", "2026-W14", "hold", "ask the driver first", "Ines", decided_at_utc=AT)
    store.review("V1", "2026-W14", "accept", "driver confirms", "Ines", decided_at_utc=AT + timedelta(days=1))
    store.finding({"at_utc": AT, "vehicle_id": "V1", "finding": "diode_shorted", "cp_pe_reverse_ohm": "2741"}, "Bo")
    frames = store.frames()
    assert frames.reviews["decision"].to_list() == ["hold", "accept"]
    assert frames.reviews["decided_at_utc"][0] == AT
    assert frames.findings["cp_pe_reverse_ohm"].to_list() == [2741.0]
    assert frames.findings.schema == polars_schema("decision_finding")
    assert frames.lessons.is_empty()
    assert frames.lessons.schema == DecisionFrames().lessons.schema


def test_nothing_can_be_changed_or_removed(store: Decisions) -> None:
    """The database itself refuses to update or delete a decision."""
    store.review("V1", "2026-W14", "dismiss", "known driver", "Ines")
    for change in ("UPDATE decision_review SET decision = 'accept'", "DELETE FROM decision_review"):
        with pytest.raises(sa.exc.IntegrityError, match="append-only"), store.engine.begin() as con:
            con.execute(sa.text(change))
    assert store.frames().reviews["decision"].to_list() == ["dismiss"]


def test_the_second_of_two_reviewers_is_told(store: Decisions) -> None:
    """Who decides on what has changed meanwhile gets an error that names the other one, and nothing is kept."""
    seen = store.last_review("V1")
    store.review("V1", "2026-W14", "accept", "clear case", "Ines", after=seen)
    with pytest.raises(ConflictError, match="Ines decided 'accept'"):
        store.review("V1", "2026-W14", "dismiss", "not our car", "Bo", after=seen)
    assert store.frames().reviews.height == 1


@pytest.mark.parametrize(
    ("row", "named"),
    [
        ({"finding": "diode_gone"}, "diode_gone"),
        ({"at_utc": datetime(2026, 4, 2)}, "at_utc"),  # noqa: DTZ001  # the fault under test
        ({"pp_pe_v": "4,46"}, "pp_pe_v"),
        ({"cp_pe_forward_ohm": -1}, "cp_pe_forward_ohm"),
        ({"cp_pe_reverse_ohm": float("nan")}, "cp_pe_reverse_ohm"),
        ({"repaired_at_utc": AT - timedelta(days=1)}, "repaired"),
        ({"colour": "red"}, "colour"),
        ({"vehicle_id": " "}, "vehicle_id"),
        ({"at_utc": None}, "at_utc"),
    ],
)
def test_a_wrong_finding_is_refused_by_name(store: Decisions, row: dict[str, object], named: str) -> None:
    """A finding is checked as the file's rows are; the error names what is wrong and nothing is kept."""
    good = {"at_utc": AT, "vehicle_id": "V1", "finding": "no_fault_found"}
    with pytest.raises(DecisionError, match=named):
        store.finding(good | row, "Bo")
    assert store.frames().findings.is_empty()


def test_a_review_needs_a_reason_and_a_known_word(store: Decisions) -> None:
    """No decision without who and why, none outside the vocabulary."""
    with pytest.raises(DecisionError, match="reason"):
        store.review("V1", "2026-W14", "dismiss", "  ", "Ines")
    with pytest.raises(DecisionError, match="accept, hold, dismiss"):
        store.review("V1", "2026-W14", "postpone", "later", "Ines")


def test_lessons_and_lists_are_kept_once(store: Decisions) -> None:
    """A second run over the same week adds nothing, and what was kept stays as it was."""
    lessons = pl.DataFrame(
        [("V1", AT, "charger_input", "stopped_at", "closed", 2.5)], schema=polars_schema("decision_lesson"), orient="row"
    )
    assert store.add_lessons(lessons) == 1
    assert store.add_lessons(lessons.with_columns(amount=pl.lit(9.0))) == 0
    assert store.frames().lessons["amount"].to_list() == [2.5]
    listed = pl.DataFrame(
        [("2026-W14", "V1", 0.97, 0.9, "pilot_diode_shorted")], schema=polars_schema("decision_referral"), orient="row"
    )
    assert (store.add_referrals(listed), store.add_referrals(listed)) == (1, 0)


def _decide(where: str, who: int, times: int) -> None:
    store = open_decisions(where)
    for n in range(times):
        store.review(f"V{n}", "2026-W14", "hold", "load", f"reviewer {who}")


def test_many_writers_lose_nothing(tmp_path: Path) -> None:
    """Four processes writing at once: every decision is there afterwards."""
    where = str(tmp_path / "decisions.db")
    open_decisions(where).close()
    context = multiprocessing.get_context("spawn")
    crowd = [context.Process(target=_decide, args=(where, who, 25)) for who in range(4)]
    for one in crowd:
        one.start()
    for one in crowd:
        one.join(60)
    kept = open_decisions(where).frames().reviews
    assert kept.group_by("decided_by").len()["len"].to_list() == [25] * 4


def test_a_file_that_is_no_store_is_named(tmp_path: Path) -> None:
    """Opening something else says which file and what to do."""
    path = tmp_path / "decisions.db"
    path.write_bytes(b"not a database, " * 100)
    with pytest.raises(StoreError, match=r"decisions\.db"):
        open_decisions(path)
