"""Backup and restore of the decisions store, by SQLite's documented online backup
(sqlite.org/backup.html, from memory).
"""

from __future__ import annotations

import sqlite3
import threading
from contextlib import closing
from pathlib import Path

import pytest

from pipeline.core.errors import StoreError
from pipeline.storage.backup import backup_decisions, restore_decisions
from pipeline.storage.decisions import open_decisions


def _store(path: Path, rows: int) -> Path:
    with closing(sqlite3.connect(path)) as con:
        con.execute("PRAGMA journal_mode=WAL")
        con.execute("CREATE TABLE IF NOT EXISTS decision (id INTEGER PRIMARY KEY, pair INTEGER)")
        con.executemany("INSERT INTO decision (pair) VALUES (?)", [(n,) for n in range(rows)])
        con.commit()
    return path


def _rows(path: Path) -> list[tuple[int, int]]:
    with closing(sqlite3.connect(path)) as con:
        return con.execute("SELECT id, pair FROM decision ORDER BY id").fetchall()


def test_a_copy_holds_every_decision_even_those_in_the_journal(tmp_path: Path) -> None:
    """A row committed by a writer that still holds the store open (it stands in the -wal file) is
    in the copy.
    """
    source = _store(tmp_path / "d.sqlite", 3)
    with closing(sqlite3.connect(source)) as writer:
        writer.execute("INSERT INTO decision (pair) VALUES (99)")
        writer.commit()
        copy = backup_decisions(source, tmp_path / "copies" / "d.sqlite")
    assert [pair for _, pair in _rows(copy)] == [0, 1, 2, 99]


def test_a_copy_taken_while_writing_is_of_one_moment(tmp_path: Path) -> None:
    """Rows written in pairs, one pair a transaction.

    Every copy taken meanwhile holds whole pairs only.
    """
    source = _store(tmp_path / "d.sqlite", 0)
    stop = threading.Event()

    def write() -> None:
        with closing(sqlite3.connect(source, timeout=30)) as con:
            n = 0
            while not stop.is_set() and n < 3000:
                con.executemany("INSERT INTO decision (pair) VALUES (?)", [(n,), (n,)])
                con.commit()
                n += 1

    writer = threading.Thread(target=write)
    writer.start()
    try:
        for turn in range(8):
            pairs = [
                pair for _, pair in _rows(backup_decisions(source, tmp_path / f"c{turn}.sqlite"))
            ]
            assert pairs == [n for n in range(len(pairs) // 2) for _ in (0, 1)]
    finally:
        stop.set()
        writer.join()


def test_restore_gives_back_the_copy_and_keeps_what_was_there(tmp_path: Path) -> None:
    """After a restore the store holds the copy's rows; the former store stands beside it, whole."""
    store = _store(tmp_path / "d.sqlite", 2)
    copy = backup_decisions(store, tmp_path / "copy.sqlite")
    _store(store, 5)
    kept = restore_decisions(copy, store)
    assert len(_rows(store)) == 2
    assert kept is not None
    assert len(_rows(kept)) == 7


def test_restore_over_a_damaged_store_keeps_its_bytes(tmp_path: Path) -> None:
    """A store that cannot be read is replaced by the copy; its bytes are kept for a specialist."""
    store = tmp_path / "d.sqlite"
    copy = backup_decisions(_store(tmp_path / "good.sqlite", 4), tmp_path / "copy.sqlite")
    store.write_bytes(b"SQLite format 3\x00" + b"broken" * 500)
    kept = restore_decisions(copy, store)
    assert len(_rows(store)) == 4
    assert kept is not None
    assert kept.read_bytes().endswith(b"broken")


@pytest.mark.parametrize(
    "content", [None, b"", b"SQLite format 3\x00" + b"x" * 5000, b"id,pair\n1,2\n"]
)
def test_a_damaged_copy_is_refused_and_the_store_untouched(
    tmp_path: Path, content: bytes | None
) -> None:
    """A missing, empty, cut or foreign file is never put in the store's place."""
    store, copy = _store(tmp_path / "d.sqlite", 3), tmp_path / "copy.sqlite"
    if content is not None:
        copy.write_bytes(content)
    with pytest.raises(StoreError, match="copy") as caught:
        restore_decisions(copy, store)
    assert caught.value.next_step
    assert len(_rows(store)) == 3
    assert [p.name for p in tmp_path.iterdir() if "before" in p.name] == []


def test_a_real_store_comes_back_with_every_decision(tmp_path: Path) -> None:
    """Reviews kept by the decisions store are all there after backup, loss of the store, and
    restore; it still refuses change.
    """
    store = tmp_path / "decisions.sqlite"
    decisions = open_decisions(store)
    for vehicle in ("V1", "V2"):
        decisions.review(vehicle, "2026-W14", "accept", "seen at three EVSEs", "Kim")
    before = decisions.frames().reviews
    copy = backup_decisions(store, tmp_path / "copy.sqlite")
    decisions.close()
    store.unlink()
    restore_decisions(copy, store)
    again = open_decisions(store)
    assert again.frames().reviews.equals(before)
    again.close()
    with closing(sqlite3.connect(store)) as con, pytest.raises(sqlite3.Error):
        con.execute("DELETE FROM decision_review")
