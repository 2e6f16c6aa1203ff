"""What ingest asks of DuckDB.

Bounded memory, and a hash that stays the same as long as the warehouse.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from pipeline.core.errors import StoreError
from pipeline.settings.ingest import IngestSettings
from pipeline.storage.warehouse import Connection, bound_memory

_PROBE = "frame_key_probe"


@contextmanager
def bounded(con: Connection, settings: IngestSettings) -> Iterator[None]:
    """DuckDB's buffers bounded from here on, and its checkpoints while files are read.

    What was written is not packed again at the checkpoint: row groups a block leaves half full cost
    a fifth of the time to merge.
    """
    bound_memory(con, settings.engine_bytes)
    con.execute("SET max_vacuum_tasks = 0")
    try:
        yield
        con.execute(
            "CHECKPOINT"
        )  # within the bound: left to the close, a large file would be merged in twice the memory
    finally:
        con.execute("RESET max_vacuum_tasks")


def check_keys(con: Connection) -> None:
    """DuckDB does not promise `hash` to stay the same from version to version; frame keys live as
    long as the warehouse.

    Raises StoreError when this version hashes otherwise than the one that wrote the keys.
    """
    con.execute(
        "CREATE TABLE IF NOT EXISTS store_meta (name VARCHAR PRIMARY KEY, value VARCHAR NOT NULL)"
    )
    now = con.execute(
        "SELECT CAST(hash('station', 'in', '2', 'id', 'Action', '{}') AS VARCHAR)"
    ).fetchall()[0][0]
    kept = con.execute("SELECT value FROM store_meta WHERE name = $1", [_PROBE]).fetchall()
    if not kept:
        con.execute("INSERT INTO store_meta VALUES ($1, $2)", [_PROBE, now])
    elif kept[0][0] != now:
        raise StoreError(
            "this version of DuckDB makes other frame keys than the one that wrote this warehouse: repeats would not be seen",
            next_step="remove the warehouse and run all deliveries again, or go back to the DuckDB version before",
        )
