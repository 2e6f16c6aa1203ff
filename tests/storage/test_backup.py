"""Backup and restore of the decisions store, by SQLite's documented online backup
(sqlite.org/backup.html, from memory).
"""

from __future__ import annotations

import shutil
import sqlite3
import threading
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest

from pipeline.core.errors import StoreError
from pipeline.storage.backup import backup_decisions, restore_decisions
from pipeline.storage.decisions import open_decisions
from pipeline.storage.decisions.bench_store import bench_store, files_beside

_INSERT = (
    "INSERT INTO decision_review (vehicle_id, week, decision, reason, decided_by, decided_at_utc) "
    "VALUES (?, '2026-W14', 'accept', 'seen', 'Kim', '2026-04-07T08:00:00.000000Z')"
)


def _store(path: Path, rows: int) -> Path:
    open_decisions(path).close()
    with closing(sqlite3.connect(path)) as con:
        con.executemany(_INSERT, [(str(n),) for n in range(rows)])
        con.commit()
    return path


def _rows(path: Path) -> list[tuple[int, int]]:
    with closing(sqlite3.connect(path)) as con:
        found = con.execute("SELECT number, vehicle_id FROM decision_review ORDER BY number")
        return [(number, int(vehicle)) for number, vehicle in found]


def test_a_copy_holds_every_decision_even_those_in_the_journal(tmp_path: Path) -> None:
    """A row committed by a writer that still holds the store open (it stands in the -wal file) is
    in the copy.
    """
    source = _store(tmp_path / "d.sqlite", 3)
    with closing(sqlite3.connect(source)) as writer:
        writer.execute(_INSERT, ("99",))
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
                con.executemany(_INSERT, [(str(n),), (str(n),)])
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


def test_restore_under_an_open_store_is_refused(tmp_path: Path) -> None:
    """While pages hold the store, a restore would lose what they keep next: it is refused, and
    what they keep is there; once they let go it works.
    """
    store = _store(tmp_path / "d.sqlite", 2)
    copy = backup_decisions(store, tmp_path / "copy.sqlite")
    held = open_decisions(store)
    held.review("7", "2026-W14", "hold", "wait", "Kim")
    with pytest.raises(StoreError, match="have this store open"):
        restore_decisions(copy, store)
    held.review("8", "2026-W14", "hold", "wait", "Kim")
    assert [v for _, v in _rows(store)] == [0, 1, 7, 8]
    held.close()
    restore_decisions(copy, store)
    assert [v for _, v in _rows(store)] == [0, 1]


def test_another_database_is_not_restored(tmp_path: Path) -> None:
    """A sound SQLite file that is no decisions store is refused by what it lacks."""
    store, other = _store(tmp_path / "d.sqlite", 1), tmp_path / "other.sqlite"
    with closing(sqlite3.connect(other)) as con:
        con.execute("CREATE TABLE cake (layers INTEGER)")
    with pytest.raises(StoreError, match="no decisions store"):
        restore_decisions(other, store)
    assert len(_rows(store)) == 1


def test_a_flipped_bit_breaks_the_seal(tmp_path: Path) -> None:
    """A changed letter in a reason passes SQLite's own check, not the seal."""
    store = _store(tmp_path / "d.sqlite", 3)
    copy = backup_decisions(store, tmp_path / "copy.sqlite")
    content = copy.read_bytes()
    assert content.count(b"seen") >= 3
    copy.write_bytes(content.replace(b"seen", b"sees", 1))
    with pytest.raises(StoreError, match="seal"):
        restore_decisions(copy, store)
    assert len(_rows(store)) == 3


def test_a_copy_without_a_seal_is_taken_on_request_only(tmp_path: Path) -> None:
    """A copy as 0.1.0 made it (no seal) needs a word of the one who restores it."""
    store = _store(tmp_path / "d.sqlite", 3)
    copy = backup_decisions(store, tmp_path / "copy.sqlite")
    with closing(sqlite3.connect(copy)) as con:
        con.execute("DROP TABLE copy_seal")
    with pytest.raises(StoreError, match="no seal"):
        restore_decisions(copy, store)
    restore_decisions(copy, store, unsealed=True)
    assert len(_rows(store)) == 3


def test_a_copy_stands_alone_and_is_private(tmp_path: Path) -> None:
    """No -wal, -shm or partial file is left beside a copy, and only its owner reads it."""
    store = _store(tmp_path / "d.sqlite", 3)
    copy = backup_decisions(store, tmp_path / "copies" / "copy.sqlite")
    restore_decisions(copy, store)
    assert [p.name for p in copy.parent.iterdir()] == ["copy.sqlite"]
    assert copy.stat().st_mode & 0o777 == 0o600
    assert store.stat().st_mode & 0o777 == 0o600


def _with_photo(place: Path, body: bytes) -> tuple[Path, str]:
    store = place / "d.sqlite"
    decisions = open_decisions(store)
    bench = bench_store(decisions, str(store), place / "w.duckdb")
    at_utc = datetime(2026, 4, 7, 8, tzinfo=UTC)
    row = {"at_utc": at_utc, "vehicle_id": "V1", "media_type": "image/jpeg", "note": None}
    sha = bench.keep_file(row, body, "Kim")
    decisions.close()
    return store, sha


def test_photos_of_the_bench_go_with_the_copy_and_come_back(tmp_path: Path) -> None:
    """A photo is beside the copy, and back after the store and its folder were lost; only its owner
    may read it.
    """
    store, sha = _with_photo(tmp_path, b"a photo")
    copy = backup_decisions(store, tmp_path / "copies" / "c.sqlite")
    store.unlink()
    shutil.rmtree(files_beside(store))
    restore_decisions(copy, store)
    back = files_beside(store) / f"{sha}.jpg"
    assert back.read_bytes() == b"a photo"
    assert back.stat().st_mode & 0o077 == 0


@pytest.mark.parametrize("damage", [None, b"a phot0"], ids=["missing", "changed"])
def test_a_lost_photo_is_told_and_the_rest_copied(tmp_path: Path, damage: bytes | None) -> None:
    """A photo that is missing or changed is named; the copy of the rows is there nevertheless, and
    a restore of it is refused unless asked for, before anything is changed.
    """
    store, sha = _with_photo(tmp_path, b"a photo")
    photo = files_beside(store) / f"{sha}.jpg"
    photo.unlink() if damage is None else photo.write_bytes(damage)
    copy = tmp_path / "copies" / "c.sqlite"
    with pytest.raises(StoreError, match=f"1 files of the bench .*{sha}"):
        backup_decisions(store, copy)
    with pytest.raises(StoreError, match="--unsealed"):
        restore_decisions(copy, store)
    assert not list(tmp_path.glob("*.before-*"))
    assert restore_decisions(copy, store, unsealed=True) is not None


def test_a_photo_still_beside_the_store_serves_a_restore(tmp_path: Path) -> None:
    """A copy whose own photo is damaged comes back where the store's folder still has it sound."""
    store, sha = _with_photo(tmp_path, b"a photo")
    copy = backup_decisions(store, tmp_path / "copies" / "c.sqlite")
    (files_beside(copy) / f"{sha}.jpg").write_bytes(b"")
    restore_decisions(copy, store)
    assert (files_beside(store) / f"{sha}.jpg").read_bytes() == b"a photo"
