"""The warehouse: one writer, many readers, earlier versions open."""

from __future__ import annotations

from pathlib import Path

import duckdb
import polars as pl
import pyarrow as pa
import pytest

from pipeline.core.errors import StoreError
from pipeline.registry import polars_schema
from pipeline.storage.warehouse import (
    ROW_GROUP,
    RowGroups,
    append,
    read,
    reading,
    seeing,
    transaction,
    writing,
)


def _rejected() -> pl.DataFrame:
    return pl.DataFrame(
        [["f" * 64, "a.csv", 3, 17, "cut off", "x"]],
        schema=polars_schema("raw_rejected"),
        orient="row",
    )


def test_one_writer_at_a_time(tmp_path: Path) -> None:
    """A second run on the same warehouse is told to wait, and the first goes on."""
    store = tmp_path / "w.duckdb"
    with writing(store) as con:
        with pytest.raises(StoreError, match="another run"), writing(store):
            pass
        append(con, "raw_rejected", _rejected())
    with reading(store) as con:
        assert read(con, "raw_rejected").height == 1


def test_a_broken_transaction_leaves_nothing(tmp_path: Path) -> None:
    """What fails midway leaves no row behind."""
    with writing(tmp_path / "w.duckdb") as con:
        with pytest.raises(RuntimeError), transaction(con):
            append(con, "raw_rejected", _rejected())
            raise RuntimeError
        assert read(con, "raw_rejected").is_empty()


def test_a_file_that_is_no_warehouse_is_named(tmp_path: Path) -> None:
    """A damaged or foreign file gives a clear error with the file's name and a cure, not a
    traceback.
    """
    store = tmp_path / "w.duckdb"
    store.write_bytes(b"not a database at all" * 1000)
    with pytest.raises(StoreError, match=r"w\.duckdb") as caught, writing(store):
        pass
    assert caught.value.next_step


def test_a_missing_warehouse_is_named(tmp_path: Path) -> None:
    """Reading where there is no warehouse says how to make one."""
    with pytest.raises(StoreError, match="whichside run"), reading(tmp_path / "none.duckdb"):
        pass


def test_a_warehouse_of_an_earlier_version_opens(tmp_path: Path) -> None:
    """Raw rows survive and gain the new columns.

    Derived tables are made again and the rebuild is noted.
    """
    store = tmp_path / "w.duckdb"
    con = duckdb.connect(str(store))
    con.execute(
        "CREATE TABLE raw_rejected (file_id VARCHAR, file VARCHAR, line BIGINT, reject_reason VARCHAR)"
    )
    con.execute("INSERT INTO raw_rejected VALUES ('f', 'a.csv', 3, 'cut off')")
    con.execute("CREATE TABLE core_word (list_name VARCHAR, word VARCHAR)")
    con.close()
    with writing(store) as con:
        assert read(con, "raw_rejected").row(0) == ("f", "a.csv", 3, None, "cut off", None)
        assert con.execute("SELECT value FROM store_meta WHERE name = 'rebuild'").fetchone() == (
            "yes",
        )


def test_a_warehouse_of_a_later_version_is_refused(tmp_path: Path) -> None:
    """A warehouse written by a later version is left alone."""
    store = tmp_path / "w.duckdb"
    with writing(store) as con:
        con.execute("UPDATE store_meta SET value = '999'")
    with pytest.raises(StoreError, match="later version"), writing(store):
        pass


def test_a_folder_that_refuses_is_named(tmp_path: Path) -> None:
    """A warehouse whose folder cannot be made or written is an error of ours with the path and the
    cure, no traceback.
    """
    (tmp_path / "file").touch()
    with (
        pytest.raises(StoreError, match=r"cannot be written.*\n.*let the user"),
        writing(tmp_path / "file" / "w.duckdb"),
    ):
        pass


@pytest.mark.parametrize(
    "error",
    [
        duckdb.OutOfMemoryException("Out of Memory Error: Failed to allocate block"),
        duckdb.FatalException("FATAL Error: invalidated: Out of Memory Error: could not commit"),
    ],
    ids=["at once", "at a commit"],
)
def test_memory_that_runs_out_does_not_call_the_warehouse_damaged(
    tmp_path: Path, error: duckdb.Error
) -> None:
    """Nobody is told to remove a warehouse because memory ran out while it was written."""
    with pytest.raises(MemoryError), writing(tmp_path / "w.duckdb"):
        raise error
    with writing(tmp_path / "w.duckdb"):
        pass


def test_memory_that_runs_out_as_a_warehouse_is_opened(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is said as such: neither the disk nor the file is blamed, new or there before."""

    def connect(*_: object, **__: object) -> None:
        raise duckdb.OutOfMemoryException("Out of Memory Error: failed to allocate")

    with writing(tmp_path / "there.duckdb"):
        pass
    monkeypatch.setattr("duckdb.connect", connect)
    for name in ("there.duckdb", "new.duckdb"):
        with pytest.raises(MemoryError), writing(tmp_path / name):
            pass


@pytest.mark.parametrize("piece", [1000, ROW_GROUP, 3 * ROW_GROUP])
def test_rows_put_in_row_groups_are_the_same_in_the_same_order(tmp_path: Path, piece: int) -> None:
    """However a table is cut, its rows come as the warehouse stores them: each once, in their order, few or many at a time."""
    numbers = pa.chunked_array(
        [
            list(range(i, min(i + piece, 2 * ROW_GROUP + 7)))
            for i in range(0, 2 * ROW_GROUP + 7, piece)
        ]
    )
    table = pa.table(
        {"number": numbers, "text": pl.Series(range(len(numbers))).cast(pl.String).to_arrow()}
    )
    with writing(tmp_path / "w.duckdb") as con, seeing(con, _told=RowGroups(table)):
        con.execute("CREATE TABLE kept AS SELECT * FROM _told")
        again = con.execute("SELECT number, text FROM kept").fetchall()
        assert con.execute("SELECT count(*) FROM _told").fetchall() == [(len(numbers),)]
    assert again == [(i, str(i)) for i in range(len(numbers))]


def test_no_rows_in_row_groups(tmp_path: Path) -> None:
    """A table without rows puts none, and its columns are known."""
    nothing = pa.table({"number": pa.array([], pa.int64())})
    with writing(tmp_path / "w.duckdb") as con, seeing(con, _told=RowGroups(nothing)):
        assert con.sql("SELECT * FROM _told").columns == ["number"]
        assert con.execute("SELECT count(*) FROM _told").fetchall() == [(0,)]
